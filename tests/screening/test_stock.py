"""Kits taken into stock from the page: a new lot, more of a known one, and everything that is refused."""

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from screening.models import Kit, KitModel, Lot
from screening.serials import serial_make
from screening.services.stock import kits_receive
from staff.errors import RoundbookError
from tests import cast

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]


def box(**other: object) -> dict[str, object]:
    """A box as typed into the form."""
    model = KitModel.objects.order_by("pk")[0]
    return {
        "kit_model": model.pk, "code": "kl900", "expires_on": "2027-09-30", "first": "5000", "count": 12,
    } | other  # fmt: skip


def test_the_administrator_takes_a_new_lot_in(signed_in: SignIn) -> None:
    client = signed_in(cast.ADMINISTRATOR)
    assert reverse("screening:stock") in client.get(reverse("screening:batches")).text
    done = client.post(reverse("screening:stock"), box(), follow=True)
    assert f"12 kits of lot KL900 are in stock: {serial_make(5000)} to {serial_make(5011)}." in done.text
    lot = Lot.objects.get(code="KL900")
    assert lot.kits.filter(state="in_stock").count() == 12
    assert lot.received_on.isoformat() == "2026-06-17"
    more = client.post(reverse("screening:stock"), box(first=serial_make(5012), count=1), follow=True)
    assert f"1 kit of lot KL900 is in stock: {serial_make(5012)}." in more.text
    assert Lot.objects.get(code="KL900").kits.count() == 13


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"expires_on": "2026-06-17"}, "has expired"), ({"expires_on": "2020-02-30"}, "valid date"),
        ({"count": 100_001}, "less than or equal to 100000"), ({"count": 0}, "greater than or equal to 1"),
        ({"first": "999999995"}, "from 1 to 999,999,999"), ({"first": "0"}, "A kit serial has 12"),
        ({"first": "TK000005000A"}, "was misread"), ({"code": " "}, "required"), ({"kit_model": 99}, "valid choice"),
    ],
)  # fmt: skip
def test_a_box_that_cannot_be_is_refused_and_nothing_is_lost(
    signed_in: SignIn, wrong: dict[str, object], words: str
) -> None:
    answer = signed_in(cast.ADMINISTRATOR).post(reverse("screening:stock"), box(**wrong))
    assert (answer.status_code, words in answer.text) == (422, True)
    assert "kl900" in answer.text or "code" in wrong
    assert not Kit.objects.exists()
    assert not Lot.objects.filter(code="KL900").exists()


def test_serials_that_are_known_and_another_expiry_are_refused(signed_in: SignIn) -> None:
    client = signed_in(cast.ADMINISTRATOR)
    client.post(reverse("screening:stock"), box())
    again = client.post(reverse("screening:stock"), box(code="KL901", first="4990"))
    assert f"Kit {serial_make(5000)} is in the book already, in lot KL900." in again.text
    other_day = client.post(reverse("screening:stock"), box(first="6000", expires_on="2028-01-31"))
    assert "Lot KL900 is in the book and expires on 30 September 2027." in other_day.text
    assert Kit.objects.count() == 12
    assert not Lot.objects.filter(code="KL901").exists()


def test_the_service_itself_refuses_too_many() -> None:
    facts = box(count=100_001, kit_model=KitModel.objects.order_by("pk")[0])
    with pytest.raises(RoundbookError) as refused:
        kits_receive(by=cast.member(cast.ADMINISTRATOR), **facts)  # type: ignore[arg-type] # a form's values
    assert refused.value.code == "count_wrong"


def test_only_the_administrator_is_shown_the_way(signed_in: SignIn) -> None:
    client = signed_in(cast.MANAGER)
    assert reverse("screening:stock") not in client.get(reverse("screening:batches")).text
    assert client.get(reverse("screening:stock")).status_code == 403
