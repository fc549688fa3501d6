"""The collection day of a label: inferred, shown in words, set aside; sample age and expiry."""

import os
from datetime import date, timedelta

import pytest
from django.conf import settings
from hypothesis import assume, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from screening.collection import (
    CollectionCommand,
    CollectionError,
    CollectionErrorCode,
    CollectionReason,
    SampleDates,
    age_days,
    expired,
    infer_day,
    sample_dates,
    too_old,
)

if not settings.configured and "DJANGO_SETTINGS_MODULE" not in os.environ:
    settings.configure(USE_I18N=False)

patient = hypothesis_settings(deadline=None)
days = st.dates(min_value=date(2020, 1, 1), max_value=date(2040, 12, 31))
D = date


@pytest.mark.parametrize(
    ("keyed", "arrived", "expected"),
    [
        ("16", D(2026, 6, 17), D(2026, 6, 16)),
        ("17", D(2026, 6, 17), D(2026, 6, 17)),
        ("18", D(2026, 6, 17), D(2026, 5, 18)),
        ("31", D(2026, 5, 31), D(2026, 5, 31)),
        ("31", D(2026, 5, 30), D(2026, 3, 31)),  # April has no 31st
        ("31", D(2026, 3, 30), D(2026, 1, 31)),  # nor has February
        ("30", D(2026, 3, 29), D(2026, 1, 30)),
        ("29", D(2026, 3, 28), D(2026, 1, 29)),
        ("29", D(2028, 3, 28), D(2028, 2, 29)),
        ("31", D(2026, 1, 1), D(2025, 12, 31)),
        ("1", D(2026, 1, 1), D(2026, 1, 1)),
        ("01", D(2026, 1, 1), D(2026, 1, 1)),
        (" 9 ", D(2026, 6, 17), D(2026, 6, 9)),
        ("16/5", D(2026, 6, 17), D(2026, 5, 16)),
        ("16.5.", D(2026, 6, 17), D(2026, 5, 16)),
        ("16.05", D(2026, 6, 17), D(2026, 5, 16)),
        ("16-5", D(2026, 6, 17), D(2026, 5, 16)),
        ("31/12", D(2026, 1, 4), D(2025, 12, 31)),
        ("29/2", D(2028, 3, 5), D(2028, 2, 29)),
        ("16/5/2026", D(2026, 6, 17), D(2026, 5, 16)),
        ("16.5.26", D(2026, 6, 17), D(2026, 5, 16)),
        ("2026-05-16", D(2026, 6, 17), D(2026, 5, 16)),
    ],
)
def test_the_day_meant(keyed: str, arrived: date, expected: date) -> None:
    got = infer_day(keyed, arrived, arrived - timedelta(days=75))
    assert (got.date, got.set_aside, got.suggestion) == (expected, None, None)
    assert got.age_days == (arrived - expected).days


@pytest.mark.parametrize(
    ("keyed", "reason", "suggestion"),
    [
        ("19", CollectionReason.BEFORE_DISPATCH, None),  # 19 May, sent 1 June
        ("20", CollectionReason.BEFORE_DISPATCH, D(2026, 6, 2)),  # 02 with its figures swapped
        ("31", CollectionReason.BEFORE_DISPATCH, D(2026, 6, 13)),
        ("3/5", CollectionReason.BEFORE_DISPATCH, None),
        ("10/6/2025", CollectionReason.BEFORE_DISPATCH, D(2026, 6, 10)),  # last year written
        ("6/10/2026", CollectionReason.FUTURE_DATE, D(2026, 6, 10)),  # month before day
        ("2026-06-19", CollectionReason.FUTURE_DATE, None),
        ("16/6/2062", CollectionReason.FUTURE_DATE, D(2026, 6, 16)),
        ("16/6/1956", CollectionReason.BEFORE_DISPATCH, D(2026, 6, 16)),  # a birth year
        ("31/6/2026", CollectionReason.IMPOSSIBLE_DATE, None),
        ("30/2", CollectionReason.IMPOSSIBLE_DATE, None),
        ("5/13", CollectionReason.IMPOSSIBLE_DATE, None),
        ("2026-13-40", CollectionReason.IMPOSSIBLE_DATE, None),
        ("OTHER MONTH", CollectionReason.OTHER_MONTH, None),
        ("impossible  date", CollectionReason.IMPOSSIBLE_DATE, None),
        ("Future Date", CollectionReason.FUTURE_DATE, None),
    ],
)
def test_set_aside(keyed: str, reason: CollectionReason, suggestion: date | None) -> None:
    got = infer_day(keyed, D(2026, 6, 18), D(2026, 6, 1))
    assert (got.set_aside, got.suggestion) == (reason, suggestion)
    assert str(reason.sentence)
    assert not got.undated
    assert sample_dates(got, D(2026, 6, 1)) == SampleDates(D(2026, 6, 1), D(2026, 6, 18))


@pytest.mark.parametrize("keyed", ["NO DATE", "no date", ".", CollectionCommand.NO_DATE])
def test_undated_is_judged_on_the_worst_case(keyed: str) -> None:
    got = infer_day(keyed, D(2026, 6, 18), D(2026, 6, 1))
    assert (got.date, got.age_days, got.set_aside, got.undated) == (None, 17, None, True)
    assert sample_dates(got, D(2026, 6, 1)) == SampleDates(D(2026, 6, 1), D(2026, 6, 18))


@pytest.mark.parametrize(
    ("keyed", "code"),
    [
        ("", CollectionErrorCode.EMPTY), ("  ", CollectionErrorCode.EMPTY),
        ("0", CollectionErrorCode.NOT_A_DAY), ("32", CollectionErrorCode.NOT_A_DAY),
        ("99", CollectionErrorCode.NOT_A_DAY), ("+", CollectionErrorCode.UNREADABLE),
        ("-1", CollectionErrorCode.UNREADABLE), ("123", CollectionErrorCode.UNREADABLE),
        ("May", CollectionErrorCode.UNREADABLE), ("1/2/3", CollectionErrorCode.UNREADABLE),
        ("1/2/345", CollectionErrorCode.UNREADABLE), ("2026/05/16", CollectionErrorCode.UNREADABLE),
        ("2026-5-16", CollectionErrorCode.UNREADABLE), ("١٦", CollectionErrorCode.UNREADABLE),
        ("TK0000001234", CollectionErrorCode.UNREADABLE), ("TODAY", CollectionErrorCode.UNREADABLE),
    ],
)  # fmt: skip
def test_typing_slips_are_asked_again(keyed: str, code: CollectionErrorCode) -> None:
    with pytest.raises(CollectionError) as caught:
        infer_day(keyed, D(2026, 6, 18), D(2026, 6, 1))
    assert caught.value.code is code
    assert str(caught.value.sentence)


def test_arrival_before_dispatch_is_a_fault_of_ours() -> None:
    with pytest.raises(CollectionError) as caught:
        infer_day("1", D(2026, 5, 31), D(2026, 6, 1))
    assert caught.value.code is CollectionErrorCode.ARRIVED_BEFORE_DISPATCH


@pytest.mark.parametrize(
    ("keyed", "arrived", "words"),
    [
        ("16", D(2026, 6, 15), "16 May, 30 days ago"),
        ("16/5", D(2026, 6, 17), "16 May, 32 days ago"),
        ("16", D(2026, 6, 17), "16 June, 1 day ago"),
        ("17", D(2026, 6, 17), "17 June, the same day"),
        ("31", D(2026, 1, 1), "31 December 2025, 1 day ago"),
        ("18/6/2026", D(2026, 6, 17), "18 June, 1 day ahead"),
        ("NO DATE", D(2026, 6, 17), "no date"),
        ("OTHER MONTH", D(2026, 6, 17), "no usable date"),
    ],
)
def test_words(keyed: str, arrived: date, words: str) -> None:
    assert str(infer_day(keyed, arrived, arrived - timedelta(days=75)).words) == words


def test_words_on_a_later_day() -> None:
    got = infer_day("16", D(2026, 6, 17), D(2026, 5, 1))
    assert str(got.words_on(D(2026, 6, 20))) == "16 June, 4 days ago"


@patient
@given(st.integers(1, 31), days)
def test_a_keyed_day_is_the_latest_such_day(day: int, arrived: date) -> None:
    got = infer_day(str(day), arrived, arrived - timedelta(days=100))
    assert got.date is not None
    assert got.date.day == day
    assert got.date <= arrived
    later = (got.date + timedelta(days=n) for n in range(1, (arrived - got.date).days + 1))
    assert all(candidate.day != day for candidate in later)
    assert got.age_days is not None
    assert got.age_days <= 61


@patient
@given(days, days, st.integers(0, 120))
def test_a_full_date_is_accepted_exactly_between_dispatch_and_arrival(
    day: date, sent: date, absent: int
) -> None:
    arrived = sent + timedelta(days=absent)
    got = infer_day(day.isoformat(), arrived, sent)
    assert (got.set_aside is None) == (sent <= day <= arrived)
    if got.suggestion is not None:
        assert sent <= got.suggestion <= arrived
        assert got.suggestion != day


@patient
@given(st.text(max_size=12), days)
def test_any_text_is_a_day_or_asked_again(keyed: str, arrived: date) -> None:
    try:
        got = infer_day(keyed, arrived, arrived - timedelta(days=30))
    except CollectionError:
        return
    dates = sample_dates(got, arrived - timedelta(days=30))
    assert arrived - timedelta(days=30) <= dates.earliest <= dates.latest <= arrived


@pytest.mark.parametrize(("used", "over"), [(0, False), (13, False), (14, False), (15, True), (32, True)])
def test_the_limit_day_is_allowed(used: int, over: bool) -> None:
    collected = D(2026, 5, 16)
    assert too_old(collected, collected + timedelta(days=used), 14) is over
    assert age_days(collected, collected + timedelta(days=used)) == used


@pytest.mark.parametrize(
    ("latest", "over"), [(D(2026, 5, 30), False), (D(2026, 5, 31), False), (D(2026, 6, 1), True)]
)
def test_usable_on_the_expiry_day(latest: date, over: bool) -> None:
    assert expired(latest, D(2026, 5, 31)) is over


@patient
@given(days, st.integers(0, 60), st.integers(0, 60))
def test_the_undated_worst_case_is_never_kinder_than_a_date(sent: date, absent: int, wait: int) -> None:
    arrived = sent + timedelta(days=absent)
    analysed = arrived + timedelta(days=wait)
    undated = SampleDates.undated(sent, arrived)
    for back in range(absent + 1):
        dated = SampleDates.dated(arrived - timedelta(days=back))
        assume(dated.earliest >= sent)
        if too_old(dated.earliest, analysed, 14):
            assert too_old(undated.earliest, analysed, 14)
        if expired(dated.latest, arrived - timedelta(days=3)):
            assert expired(undated.latest, arrived - timedelta(days=3))
