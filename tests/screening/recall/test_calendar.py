"""Days that shift dates (hazard H29): 29 February, both changes of the clock, the year's end, and birthdays on the edge of the band.

The expected days are counted by hand or by walking day by day, not by the registry's rule. Clock changes of 2026 in the
programme's zone (Europe/Lisbon): 29 March and 25 October (published by the IANA time zone database).
"""

from collections.abc import Iterator
from datetime import date, datetime, timedelta

import pytest
from django.conf import settings

from screening.eligibility import PersonFacts, ScreeningPolicyFacts, eligibility
from screening.models import Batch, Lot, Person, Round
from screening.services.batches import batch_dispatch, batch_open, kits_stock
from screening.services.due import due_dates_refresh, due_dates_sweep
from screening.services.people import postponement_record, stop_end, stop_record
from screening.services.rounds import rounds_close_unreturned, rounds_reported_below
from staff import clock
from staff.models import User
from tests import cast, factories

database = pytest.mark.usefixtures("region")
EDGES = [(0, 2), (23, 57)]
"""Two minutes after midnight and three before it, as the clock on the wall shows."""


@pytest.fixture
def by() -> User:
    return cast.member(cast.ADMINISTRATOR)


def wall(day: date, hour: int, minute: int) -> datetime:
    """The moment the clock on the wall shows that time."""
    return clock.moment(day, hour, minute)


def test_the_zone_of_the_programme_changes_its_clock_on_the_days_these_tests_use() -> None:
    assert settings.TIME_ZONE == "Europe/Lisbon"
    for day, before, after in ((date(2026, 3, 29), 0, 1), (date(2026, 10, 25), 1, 0)):
        assert wall(day, 0, 2).astimezone(clock.zone()).utcoffset() == timedelta(hours=before)
        assert wall(day, 23, 57).astimezone(clock.zone()).utcoffset() == timedelta(hours=after)


@database
@pytest.mark.parametrize(("hour", "minute"), EDGES)
@pytest.mark.parametrize(
    ("day", "due"),
    [
        (date(2028, 2, 28), date(2030, 2, 28)), (date(2028, 2, 29), date(2030, 2, 28)), (date(2028, 3, 1), date(2030, 3, 1)),
        (date(2026, 3, 28), date(2028, 3, 28)), (date(2026, 3, 29), date(2028, 3, 29)), (date(2026, 3, 30), date(2028, 3, 30)),
        (date(2026, 10, 24), date(2028, 10, 24)), (date(2026, 10, 25), date(2028, 10, 25)),
        (date(2026, 10, 26), date(2028, 10, 26)), (date(2026, 12, 31), date(2028, 12, 31)), (date(2027, 1, 1), date(2029, 1, 1)),
    ],
)  # fmt: skip
def test_a_result_just_before_or_after_midnight_counts_from_the_day_on_the_wall(
    by: User, day: date, due: date, hour: int, minute: int
) -> None:
    with clock.at(wall(day, hour, minute)):
        round_ = factories.a_round(factories.a_person(birth_date=date(1970, 6, 1)))
        factories.a_ready_return(round_)
        rounds_reported_below(by=by, rows=[(round_.pk, clock.today())])
        assert Person.objects.get(pk=round_.person_id).next_due_on == due
        due_dates_refresh(by=by)
        assert Person.objects.get(pk=round_.person_id).next_due_on == due, "computed again from history"


@database
@pytest.mark.parametrize(("hour", "minute"), EDGES)
@pytest.mark.parametrize(
    "sent", [date(2026, 1, 10), date(2026, 8, 10), date(2027, 12, 1), date(2026, 10, 25), date(2026, 3, 29)]
)
def test_a_round_closes_on_day_90_and_not_on_day_89(by: User, sent: date, hour: int, minute: int) -> None:
    with clock.at(wall(sent, hour, minute)):
        round_ = factories.a_round(sent_days_ago=0)
    for days, closed in ((89, False), (90, True)):
        with clock.at(wall(sent + timedelta(days=days), hour, minute)):
            assert rounds_close_unreturned(by=by) == int(closed)
    round_.refresh_from_db()
    assert clock.local_day(round_.closed_at) == sent + timedelta(days=90)


@database
@pytest.mark.parametrize(("hour", "minute"), EDGES)
@pytest.mark.parametrize(
    "day", [date(2026, 3, 29), date(2026, 10, 25), date(2026, 12, 31), date(2028, 2, 29)]
)
def test_a_batch_carries_the_day_on_the_wall_and_the_next_day_begins_anew(
    by: User, day: date, hour: int, minute: int
) -> None:
    with clock.at(wall(day, hour, minute)):
        kits_stock(by=by, lot=_lasting_lot(), first_number=1, count=4)
        for _ in range(3):
            factories.a_person(birth_date=date(1970, 1, 1))
        first, second = batch_open(by=by, size=1), batch_open(by=by, size=1)
        assert [b.number for b in (first, second)] == [f"{day:%y%m%d}-1", f"{day:%y%m%d}-2"]
        assert batch_dispatch(by=by, batch=first) == 1
    with clock.at(wall(day + timedelta(days=1), 0, 1)):
        assert batch_open(by=by, size=1).number == f"{day + timedelta(days=1):%y%m%d}-1"
    assert Round.objects.get(batch=first).dispatched_on == day
    assert Round.objects.get(batch=first).due_on == day + timedelta(days=90)
    assert Batch.objects.get(pk=first.pk).dispatched_on == day


def _lasting_lot() -> Lot:
    lot = Lot.objects.order_by("-expires_on")[0]
    Lot.objects.filter(pk=lot.pk).update(expires_on=date(2040, 1, 1))
    return lot


@database
@pytest.mark.parametrize(
    "day", [date(2026, 3, 29), date(2026, 10, 25), date(2026, 12, 31), date(2028, 2, 29)]
)
def test_wishes_begin_and_end_on_the_day_on_the_wall(by: User, day: date) -> None:
    with clock.at(wall(day, 23, 57)):
        person = factories.a_person(birth_date=date(1970, 1, 1))
        stop = stop_record(by=by, person=person, scope="invitations", source="called")
        assert stop.since == day
        assert stop_end(by=by, stop=stop).ended_on == day
        until = postponement_record(by=by, person=person, until=day + timedelta(days=1)).until
        assert Person.objects.get(pk=person.pk).next_due_on == until == day + timedelta(days=1)
    with clock.at(wall(day, 0, 2)):
        twelve = date(2029, 2, 28) if day == date(2028, 2, 29) else day.replace(year=day.year + 1)
        assert postponement_record(by=by, person=person, until=twelve).until == twelve


# Birthdays on the edge of the band, walked day by day.
BIRTHS = [
    date(1976, 2, 28),
    date(1976, 2, 29),
    date(1976, 3, 1),
    date(1975, 12, 31),
    date(1976, 1, 1),
    date(1976, 3, 29),
]
BAND = ScreeningPolicyFacts()


def days(first: date, last: date) -> Iterator[date]:
    """Every day from one to another."""
    while first <= last:
        yield first
        first += timedelta(days=1)


def completed_years(birth: date, on: date) -> int:
    """Birthdays had by that day, counted one by one; in a common year a 29 February is had on 1 March."""
    had = 0
    while True:
        year = birth.year + had + 1
        leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
        birthday = (
            date(year, 3, 1)
            if (birth.month, birth.day) == (2, 29) and not leap
            else date(year, birth.month, birth.day)
        )
        if birthday > on:
            return had
        had += 1


@pytest.mark.parametrize("birth", BIRTHS)
def test_somebody_never_invited_is_due_from_the_fiftieth_birthday_to_the_end_of_grace(birth: date) -> None:
    facts = PersonFacts(birth_date=birth)
    last_in_band = max(
        d for d in days(date(2050, 1, 1), date(2051, 12, 31)) if completed_years(birth, d) == 74
    )
    for near in (date(birth.year + 50, 1, 1), date(birth.year + 75, 1, 1)):
        for day in days(near - timedelta(days=70), near + timedelta(days=460)):
            expected = completed_years(birth, day) >= 50 and day <= last_in_band + timedelta(
                days=BAND.grace_days
            )
            assert eligibility(facts, BAND, day).due is expected, day


# Source: hazard H25 of the project (nobody is lost at a birthday): on no day of a life is there none or more than one next step.
@pytest.mark.parametrize("birth", BIRTHS)
def test_on_every_day_of_a_life_there_is_exactly_one_next_step_or_reason(birth: date) -> None:
    last = date(2026, 3, 29)
    facts = PersonFacts(birth_date=birth, last_invited_on=last, last_result_on=last)
    for day in days(date(2026, 3, 29), date(2054, 1, 1)):
        answer = eligibility(facts, BAND, day)
        assert answer.due is (answer.next_due_on is not None and answer.next_due_on <= day)
        assert (answer.next_due_on is None) is (str(answer.code) in {"above_age", "last_round_done"})


@database
@pytest.mark.parametrize(("birth", "on", "due"), [
    (date(1976, 2, 29), date(2026, 2, 28), False), (date(1976, 2, 29), date(2026, 3, 1), True),
    (date(1976, 3, 29), date(2026, 3, 28), False), (date(1976, 3, 29), date(2026, 3, 29), True),
    (date(1976, 12, 31), date(2026, 12, 30), False), (date(1976, 12, 31), date(2026, 12, 31), True),
    (date(1952, 2, 29), date(2027, 5, 29), True), (date(1952, 2, 29), date(2027, 5, 30), False),
])  # fmt: skip
def test_a_batch_takes_people_from_their_birthday_and_until_their_grace_is_over(
    by: User, birth: date, on: date, due: bool
) -> None:
    with clock.at(wall(date(2026, 1, 2), 12, 0)):
        person = factories.a_person(birth_date=birth)
        due_dates_refresh(by=by, person_ids=[person.pk])
    with clock.at(wall(on, 0, 2)):
        kits_stock(by=by, lot=_lasting_lot(), first_number=1, count=1)
        due_dates_sweep(by=by)
        person.refresh_from_db()
        assert (person.next_due_on is not None and person.next_due_on <= on) is due
        if due:
            assert batch_open(by=by, size=5).rounds.get().person_id == person.pk
        else:
            with pytest.raises(Exception, match="Nobody is due"):
                batch_open(by=by, size=5)
