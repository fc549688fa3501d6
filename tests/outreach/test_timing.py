"""When letters are due: working days, and the landing of at-or-above letters."""

from datetime import date

import pytest

from outreach.catalogue import KINDS
from outreach.timing import PostCalendar, due_for

CALENDAR = PostCalendar(no_landing_weekdays=frozenset({4, 5}))
MIDWINTER = PostCalendar(closed=frozenset({date(2026, 12, 25)}), no_landing_weekdays=frozenset({4, 5}))


@pytest.mark.parametrize(
    ("authorised", "not_before", "lands"),
    [
        ("2026-06-15", "2026-06-15", "2026-06-17"),  # Monday lands on Wednesday
        ("2026-06-16", "2026-06-16", "2026-06-18"),  # Tuesday lands on Thursday
        ("2026-06-17", "2026-06-19", "2026-06-22"),  # Wednesday would land on Friday, Thursday on Saturday
        ("2026-06-18", "2026-06-19", "2026-06-22"),
        ("2026-06-19", "2026-06-19", "2026-06-22"),  # Friday lands on Monday: no post on Sunday
        ("2026-06-20", "2026-06-22", "2026-06-24"),  # nothing is handed over on a weekend
        ("2026-06-21", "2026-06-22", "2026-06-24"),
    ],
)
def test_the_letter_lands_on_a_day_after_which_somebody_answers(
    authorised: str, not_before: str, lands: str
) -> None:
    # Source: ruling R11 of the programme (no-landing days, at most 4 calendar days ahead); common practice, no source.
    day = CALENDAR.not_before(date.fromisoformat(authorised))
    assert str(day) == not_before
    assert str(CALENDAR.lands_on(day)) == lands


def test_no_letter_lands_on_the_eve_of_a_closed_day_when_waiting_helps() -> None:
    tuesday = date(2026, 12, 22)
    assert MIDWINTER.lands_on(tuesday) == date(2026, 12, 24), "the eve of midwinter day"
    assert MIDWINTER.not_before(tuesday) == tuesday, (
        "the next four days land no better, so waiting would not help"
    )
    everyone_may = PostCalendar(closed=MIDWINTER.closed)
    assert everyone_may.not_before(tuesday) == date(2026, 12, 23)
    assert everyone_may.lands_on(date(2026, 12, 23)) == date(2026, 12, 26)


@pytest.mark.parametrize("post_days", [1, 2, 3, 4])
@pytest.mark.parametrize("weekdays", [set(), {4, 5}, {0, 1, 2, 3, 4, 5}])
def test_it_never_waits_more_than_four_days(post_days: int, weekdays: set[int]) -> None:
    calendar = PostCalendar(no_landing_weekdays=frozenset(weekdays), post_days=post_days)
    for n in range(1, 31):
        authorised = date(2026, 6, n)
        assert 0 <= (calendar.not_before(authorised) - authorised).days <= 4
        assert calendar.is_working(calendar.not_before(authorised))


@pytest.mark.parametrize(
    ("kind", "side", "due", "not_before"),
    [
        ("invitation", "", "2026-06-18", "None"),
        ("reminder", "", "2026-06-19", "None"),
        ("replacement", "", "2026-06-19", "None"),
        ("result_below", "below", "2026-06-24", "None"),
        ("result_more_tests", "at_or_above", "2026-06-19", "2026-06-19"),
        ("doctor_copy", "below", "2026-06-24", "None"),
        ("doctor_copy", "at_or_above", "2026-06-19", "2026-06-19"),
    ],
)
def test_each_kind_is_due_as_declared(kind: str, side: str, due: str, not_before: str) -> None:
    # Source: catalogue of letters and promises of the programme, common practice, no source.
    made = due_for(KINDS[kind], triggered_on=date(2026, 6, 17), side=side, calendar=CALENDAR)
    assert (str(made.due_on), str(made.not_before)) == (due, not_before)


def test_working_days_skip_weekends_and_closed_days() -> None:
    assert MIDWINTER.working_days_after(date(2026, 12, 24), 1) == date(2026, 12, 28)
    assert MIDWINTER.working_days_after(date(2026, 12, 26), 0) == date(2026, 12, 28)
    assert MIDWINTER.working_day_before(date(2026, 12, 28)) == date(2026, 12, 24)
