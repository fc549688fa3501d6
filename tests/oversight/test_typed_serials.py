"""The share of serials typed at intake, counted by hand through the bench itself, and its bound."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client

from oversight.filters import Asked
from oversight.services.typed import Typed, TypedMonth, typed_serials
from screening.models import Kit
from screening.services.intake import bench_scan
from staff import clock
from tests import cast
from tests.screening.intake.bench import a_session, day_of, kit_out

pytestmark = pytest.mark.usefixtures("region")


def heard(*kits: tuple[Kit, bool]) -> None:
    """Each kit's serial, scanned or typed, then the day of its label, which is always typed."""
    session, number, by = a_session(), 1, cast.member(cast.FRONT_DESK)
    for kit, typed in kits:
        bench_scan(by=by, session=session, sequence=number, raw=kit.serial, typed=typed)
        bench_scan(by=by, session=session, sequence=number + 1, raw=day_of(4), pending=kit.serial, typed=True)
        number += 2


def asked() -> Asked:
    return Asked(clock.today() - timedelta(days=20), clock.today())


# Source: counted by hand: three kits, one serial typed; the three days are typed and are no serials.
def test_a_typed_day_is_no_typed_serial(signed_in: Callable[[str], Client]) -> None:
    heard((kit_out(), False), (kit_out(), True), (kit_out(), False))
    found = typed_serials(asked())
    assert found == Typed([TypedMonth(clock.today().replace(day=1), 3, 1)], None)
    page = signed_in(cast.MANAGER).get(
        "/how-are-we-doing/quality/", {"from": asked().since.isoformat(), "to": asked().until.isoformat()}
    )
    block = next(one for one in page.context["page"].blocks if one.key == "typed")
    assert list(map(str, block.foot)) == ["All", "1", "3", "too few to judge"]
    assert (block.basis, block.maturity.code) == ("period", "provisional")


def test_only_the_newest_scans_are_looked_at_and_the_page_would_say_so() -> None:
    heard((kit_out(), True), (kit_out(), False))
    heard((kit_out(), True))
    found = typed_serials(asked(), newest=2)
    assert (found.typed, found.logged, found.cut_off_on) == (1, 1, clock.today())


def test_scans_of_other_days_are_not_counted() -> None:
    heard((kit_out(), True))
    before = clock.today() - timedelta(days=1)
    assert typed_serials(Asked(before - timedelta(days=30), before)).logged == 0
