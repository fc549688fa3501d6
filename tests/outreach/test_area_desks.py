"""The desk that opens the post of an area: its unopened post keeps that area's rounds open, and it is set by command."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from outreach.models import AreaDesk
from outreach.services.desks import area_desks_set, desks_of_areas
from outreach.services.planning_days import rounds_waiting_for_post
from screening.models import Area
from screening.services.rounds import rounds_close_unreturned
from staff import clock
from staff.errors import NotAllowed
from staff.models import Site
from tests import cast
from tests.factories import a_delivery, a_round, by_default
from tests.outreach.makers import a_patient

pytestmark = pytest.mark.usefixtures("region")


def test_unopened_post_keeps_the_rounds_of_its_own_desk_open() -> None:
    # Source: ruling R12 of the programme, common practice, no source.
    here, there = Area.objects.order_by("pk")[:2]
    other = Site.objects.filter(receives_kits=True).exclude(code="QHC").first()
    AreaDesk.objects.update_or_create(area=here, defaults={"site": Site.objects.get(code="QHC")})
    AreaDesk.objects.update_or_create(area=there, defaults={"site": other})
    waits, closes = (a_round(a_patient(area=area), sent_days_ago=100) for area in (here, there))
    a_delivery(arrived=clock.today() - timedelta(days=1))
    waiting = rounds_waiting_for_post(clock.today())
    assert rounds_close_unreturned(by=by_default(), waiting=waiting) == 1
    waits.refresh_from_db()
    closes.refresh_from_db()
    assert (waits.state, closes.close_reason) == ("kit_out", "not_returned")


def test_the_desk_of_an_area_is_set_by_command(capsys: pytest.CaptureFixture[str]) -> None:
    area = Area.objects.order_by("code").first()
    assert area is not None
    call_command("area_desks", f"{area.code}=QHC", "--dry-run")
    assert not AreaDesk.objects.exists()
    call_command("area_desks", f"{area.code}=QHC")
    assert f'"{area.code}": "QHC"' in capsys.readouterr().out
    with pytest.raises(CommandError, match="no desk of that code"):
        call_command("area_desks", f"{area.code}=QLAB")
    call_command("area_desks", f"{area.code}=")
    assert not AreaDesk.objects.exists()


def test_the_administrator_sets_the_desks_on_a_page_and_what_was_before_is_kept(
    signed_in: Callable[[str], Client],
) -> None:
    client = signed_in(cast.ADMINISTRATOR)
    first, second = Area.objects.order_by("code")[:2]
    names = [f"area_{code}" for code in Area.objects.values_list("code", flat=True)]
    given = dict.fromkeys(names, "any") | {f"area_{first.code}": "QHC", f"area_{second.code}": "QHC"}
    page = reverse("outreach:desks")
    assert "any desk" in client.get(page).content.decode()
    assert client.post(page, given).status_code == 302
    assert desks_of_areas() == {first.code: "QHC", second.code: "QHC"}
    client.post(page, given | {f"area_{first.code}": "any"})
    assert desks_of_areas() == {second.code: "QHC"}
    assert list(AreaDesk.pgh_event_model.objects.order_by("pgh_id").values_list("pgh_label", flat=True)) == [
        "insert", "insert", "delete",
    ]  # fmt: skip
    refused = client.post(page, given | {f"area_{first.code}": "QLAB"})
    assert refused.status_code == 422
    assert "Choose a desk that receives kits" in refused.content.decode()
    assert desks_of_areas() == {second.code: "QHC"}


def test_nobody_else_sets_desks(signed_in: Callable[[str], Client]) -> None:
    assert signed_in(cast.PHONE_DESK).get(reverse("outreach:desks")).status_code == 403
    with pytest.raises(NotAllowed):
        area_desks_set(by=cast.member(cast.PHONE_DESK), wanted={})
