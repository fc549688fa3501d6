"""Working days, counted forwards over weekends and closed days."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from staff.working_days import is_working, working_days_after

patient = hypothesis_settings(deadline=None)
NONE: frozenset[date] = frozenset()
WED = date(2026, 6, 17)
FRI, SAT, SUN, MON = (date(2026, 6, day) for day in (19, 20, 21, 22))
days = st.dates(min_value=date(2025, 1, 1), max_value=date(2030, 12, 31))
closed_days = st.frozensets(st.dates(min_value=date(2025, 1, 1), max_value=date(2031, 12, 31)), max_size=30)


@pytest.mark.parametrize(
    ("day", "n", "closed", "expected"),
    [
        (WED, 0, NONE, WED), (WED, 1, NONE, date(2026, 6, 18)), (WED, 3, NONE, MON), (FRI, 1, NONE, MON),
        (SAT, 0, NONE, MON), (SAT, 1, NONE, MON), (SUN, 1, NONE, MON), (SAT, 2, NONE, date(2026, 6, 23)),
        (FRI, 1, frozenset({MON}), date(2026, 6, 23)), (MON, 0, frozenset({MON}), date(2026, 6, 23)),
        (WED, 10, NONE, date(2026, 7, 1)),
    ],
)  # fmt: skip
def test_working_days(day: date, n: int, closed: frozenset[date], expected: date) -> None:
    assert working_days_after(day, n, closed) == expected


def test_working_days_that_cannot_be_counted() -> None:
    with pytest.raises(ValueError, match="forwards"):
        working_days_after(WED, -1, NONE)
    for_ever = frozenset(WED + timedelta(days=n) for n in range(900))
    for n in (0, 1):
        with pytest.raises(ValueError, match="no working days"):
            working_days_after(WED, n, for_ever)


@patient
@given(days, st.integers(0, 30), closed_days)
def test_as_many_working_days_as_asked(day: date, n: int, closed: frozenset[date]) -> None:
    end = working_days_after(day, n, closed)
    between = [day + timedelta(days=k) for k in range(1, (end - day).days + 1)]
    worked = sum(is_working(each, closed) for each in between)
    assert is_working(end, closed)
    assert worked == (n or int(not is_working(day, closed)))
