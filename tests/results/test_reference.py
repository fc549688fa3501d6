"""Lots, controls and schemes: one person enters, another confirms; stock and cover; lots scanned into runs."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from results.models import ControlLot, LabLot, Run, RunLot
from results.services.lots import (
    lot_enter,
    lot_set_apart,
    run_open_scanned,
    second_person_confirms,
    stock_count,
    stock_lines,
)
from staff import clock
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]


def a_lot(kind: str = "reagent", code: str = "R100", *, confirmed: bool = True, **facts: object) -> LabLot:
    given: dict[str, object] = {
        "kind": kind, "name": kind.title(), "lot": code, "received_on": clock.today(), "tests_per_unit": 50,
        "expires_on": clock.today() + timedelta(days=90),
    }  # fmt: skip
    lot = LabLot(**(given | facts))
    lot_enter(by=bench.technician(), row=lot)
    if confirmed:
        second_person_confirms(by=bench.lead(), row=lot)
    return lot


def opened(*codes: str) -> Run:
    return run_open_scanned(
        by=bench.technician(), analyser=bench.analyser(), unit="ng/mL", readings=bench.controls(), checks=(), codes=codes
    )  # fmt: skip


def test_without_lots_in_the_book_nothing_is_asked_for() -> None:
    assert opened().status == "open"


def test_lots_in_use_are_scanned_into_the_run() -> None:
    reagent, tip = a_lot(), a_lot("consumable", "T7")
    run = opened("r100", " T7 ", "R100")
    assert set(RunLot.objects.values_list("run", "lot")) == {(run.pk, reagent.pk), (run.pk, tip.pk)}


@pytest.mark.parametrize(("facts", "codes", "code"), [
    ({}, (), "lot_missing"),
    ({}, ("R999",), "lot_unusable"),
    ({"confirmed": False}, ("R100",), "lot_unusable"),
    ({"quarantine_note": "Leaking packs."}, ("R100",), "lot_unusable"),
])  # fmt: skip
def test_h8_a_lot_that_may_not_be_used_opens_nothing(
    facts: dict[str, object], codes: tuple[str, ...], code: str
) -> None:
    a_lot(**facts)
    with pytest.raises(RoundbookError) as refused:
        opened(*codes)
    assert refused.value.code == code
    assert not Run.objects.exists()


def test_h8_an_expired_lot_is_refused_the_day_after_its_day() -> None:
    lot = a_lot()
    LabLot.objects.filter(pk=lot.pk).update(expires_on=clock.today())
    assert opened("R100").status == "open"
    LabLot.objects.filter(pk=lot.pk).update(expires_on=clock.today() - timedelta(days=1))
    with pytest.raises(RoundbookError) as refused:
        opened("R100")
    assert refused.value.code == "lot_unusable"
    with pytest.raises(RoundbookError):
        a_lot(code="R101", expires_on=clock.today() - timedelta(days=1))


def test_the_one_who_entered_does_not_confirm() -> None:
    lot = a_lot(confirmed=False)
    with pytest.raises(RoundbookError) as refused:
        second_person_confirms(by=bench.technician(), row=lot)
    assert refused.value.code == "second_person"
    second_person_confirms(by=bench.lead(), row=lot)
    with pytest.raises(RoundbookError) as refused:
        second_person_confirms(by=bench.lead(), row=lot)
    assert refused.value.code == "confirmed_before"


def test_h8_an_sd_that_would_pass_anything_is_refused() -> None:
    lot = ControlLot(
        analyser=bench.analyser(), material="Control", level=1, lot="CL9", unit="ng/mL", target=Decimal(90),
        sd=Decimal(55), opened_on=clock.today(), expires_on=clock.today(),
    )  # fmt: skip
    with pytest.raises(RoundbookError) as refused:
        lot_enter(by=bench.technician(), row=lot)
    assert refused.value.code == "sd_implausible"


def test_a_lot_set_apart_is_not_scanned_any_more() -> None:
    lot = a_lot()
    with pytest.raises(RoundbookError):
        lot_set_apart(by=bench.technician(), lot=lot, note="")
    lot_set_apart(by=bench.technician(), lot=lot, note="Recalled by letter.")
    with pytest.raises(RoundbookError):
        opened("R100")


def test_stock_and_days_of_cover() -> None:
    lot = a_lot()
    stock_count(by=bench.technician(), lot=lot, packs_left=Decimal("2.5"))
    run = opened("R100")
    bench.load(run, [(bench.a_sample().serial, "5") for _ in range(4)])
    (line,) = [one for one in stock_lines(clock.today()) if one.lot == "R100"]
    # 125 tests left at 4 in 28 days: 875 days.
    assert (line.left, line.cover, line.short) == (125, 875, False)
    stock_count(by=bench.technician(), lot=lot, packs_left=Decimal("0.04"))
    (line,) = [one for one in stock_lines(clock.today()) if one.lot == "R100"]
    assert (line.left, line.cover, line.short) == (2, 14, True)
    kinds = {one.kind for one in stock_lines(clock.today())}
    assert {"kit", "control", "reagent"} <= kinds


def test_entering_and_confirming_through_the_pages(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    facts = {
        "analyser": bench.analyser().pk, "material": "Control", "level": 1, "lot": "CL77", "unit": "ng/mL",
        "target": "88", "sd": "5", "opened_on": clock.today().isoformat(),
        "expires_on": (clock.today() + timedelta(days=200)).isoformat(),
    }  # fmt: skip
    assert client.post(reverse("results:enter", args=["level"]), facts | {"sd": "0"}).status_code == 422
    assert client.post(reverse("results:enter", args=["level"]), facts).status_code == 302
    lot = ControlLot.objects.get(lot="CL77")
    client.post(reverse("results:confirm", args=["level", lot.pk]))
    lot.refresh_from_db()
    assert lot.confirmed_by is None
    other = signed_in(cast.LAB_LEAD)
    assert "CL77" in other.get(reverse("results:controls")).content.decode()
    other.post(reverse("results:confirm", args=["level", lot.pk]))
    lot.refresh_from_db()
    assert lot.confirmed_by == bench.lead()
    for kind in ("check", "scheme", "steps", "lot", "nothing"):
        assert other.get(reverse("results:enter", args=[kind])).status_code in (200, 302)


def test_the_pages_of_lots(signed_in: SignIn) -> None:
    lot = a_lot()
    client = signed_in(cast.LABORATORY)
    assert "R100" in client.get(reverse("results:lots")).content.decode()
    where = reverse("results:lot", args=[lot.pk])
    client.post(where, {"packs_left": "3"})
    assert "3" in client.get(where).content.decode()
    client.post(where, {"what": "apart", "note": "Recalled."})
    assert "Recalled." in client.get(where).content.decode()
    page = client.get(reverse("results:open-day") + "?analyser=Q1").content.decode()
    assert "Lots in use" in page
