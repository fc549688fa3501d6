"""The desk that opens the post of an area: its unopened post keeps that area's rounds open, and it is set by command."""

from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command

from outreach.models import AreaDesk
from outreach.services.planning_days import rounds_waiting_for_post
from screening.models import Area
from screening.services.rounds import rounds_close_unreturned
from staff import clock
from staff.models import Site
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
