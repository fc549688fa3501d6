"""The views of the queue: by what people need next with counts, new and not assigned, both clocks, why, keys."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from results.referral_clocks import Clocks, Moved, person_chosen_days, promised_by
from results.referral_hands import shared_out
from results.referral_queue import NEEDS
from results.services import referrals as services
from results.states import REFERRAL
from tests import cast
from tests.results import follow_up as f

QUEUE = "/follow-up/"
WEDNESDAY = date(2026, 6, 17)


@pytest.fixture
def page(signed_in: object) -> Client:
    """The coordinator's browser."""
    return signed_in(cast.COORDINATOR)


def day(n: int) -> date:
    """So many days after Wednesday."""
    return WEDNESDAY + timedelta(days=n)


def test_every_open_state_belongs_to_exactly_one_need() -> None:
    told = [state for _label, states in NEEDS.values() for state in states]
    assert sorted(told) == sorted(state for state in REFERRAL.states if state != "closed")


def test_the_list_is_filtered_by_what_people_need_next_with_counts(page: Client) -> None:
    # The words of section 5.5 of the job: Reach, Decide, Assess, Book, Attend, Report, Histology, Decide next step.
    states = [state for state in REFERRAL.states if state != "closed"]
    for state in states:
        f.a_referral(state, family_name=f"In-{state}")
    text = page.get(QUEUE).content.decode()
    order = [text.index(f"</b> {label}</a>") for label, _states in NEEDS.values()]
    assert order == sorted(order)
    for need, (label, meant) in NEEDS.items():
        text = page.get(f"{QUEUE}?need={need}").content.decode()
        assert {state for state in states if f"In-{state}, Marra" in text} == set(meant)
        assert f"<b>{len(meant)}</b> {label}</a>" in text
        assert 'aria-current="true"' in text


def test_new_and_not_assigned_means_that_nothing_happened_since_it_was_opened(signed_in: object) -> None:
    page = signed_in(cast.COORDINATOR)
    f.a_referral(family_name="Untouched")
    tried, taken = f.a_referral(family_name="Tried"), f.a_referral(family_name="Taken")
    services.contact_attempt_record(by=f.liora(), referral=tried, outcome="no_answer")
    services.referral_claim(by=f.liora(), referral=taken)
    text = page.get(f"{QUEUE}?new=1").content.decode()
    assert [name for name in ("Untouched", "Tried", "Taken") if f"{name}, Marra" in text] == ["Untouched"]
    assert "<b>1</b><span>new, not assigned" in text
    with ExitStack() as later:
        f.days_later(later, 2)
        page.logout()
        assert "1 overdue" in signed_in(cast.COORDINATOR).get(f"{QUEUE}?new=1").content.decode()


def test_filters_are_kept_when_another_is_chosen(page: Client) -> None:
    f.a_referral()
    text = page.get(f"{QUEUE}?owner=nobody&past=&need=reach").content.decode()
    assert 'href="?need=assess&amp;owner=nobody"' in text
    assert 'href="?owner=nobody"' in text
    assert '<input type="hidden" name="need" value="reach">' in text


def test_a_row_tells_both_clocks_and_why_its_date_is_what_it_is(page: Client) -> None:
    referral = f.a_referral()
    with ExitStack() as later:
        f.days_later(later, 2)
        services.referral_pause(by=f.kaddrin(), referral=referral, until=day(12), note="travels")
        f.days_later(later, 6)
        services.referral_resume(by=f.kaddrin(), referral=referral)
        f.days_later(later, 4)
        text = page.get(QUEUE).content.decode()
        assert "day 12 of 31" in text
        assert "6 days without the 6 the person chose" in text
        assert "The pause is over; the person is called on the next working day." in text
        assert "The examination is promised up to 18 Jul 2026." in text
        text = page.get(f"{QUEUE}{referral.pk}/").content.decode()
        assert "6 days without the 6 the person chose to wait" in text
        assert "Promised up to 18 July 2026" in text


def test_keys_stand_on_the_rows(page: Client) -> None:
    f.a_referral()
    text = page.get(QUEUE).content.decode()
    assert 'data-row-key="c" data-row-key-label="In the row: claim"' in text
    assert 'data-row-key="w"' in text
    assert 'data-key="1" data-key-label="Reach"' in text


@pytest.mark.parametrize(
    ("moves", "chosen"),
    [
        ([], 0),
        ([(0, "pause", "own_wish", "paused_until")], 30),
        ([(0, "pause", "own_wish", "paused_until"), (9, "resume", "", "to_reach")], 9),
        ([(0, "pause", "unfit", "paused_until"), (9, "resume", "", "to_reach")], 0),
        ([(2, "pause", "own_wish", "paused_until"), (4, "reschedule", "", "paused_until"), (7, "reached", "", "to_assess")], 5),
        ([(1, "unbook", "cancelled_person", "to_book"), (5, "book", "", "booked")], 4),
        ([(1, "unbook", "cancelled_person", "to_book"), (3, "reschedule", "", "to_book"), (5, "request", "", "requested")], 4),
        ([(0, "unbook", "cancelled_person", "to_book")], 28),
        ([(0, "unbook", "cancelled_site", "to_book"), (9, "book", "", "booked")], 0),
        ([(0, "unbook", "missed", "to_book"), (9, "book", "", "booked")], 0),
        (
            [(0, "pause", "own_wish", "paused_until"), (5, "resume", "", "to_reach"), (20, "pause", "own_wish", "paused_until"),
             (26, "resume", "", "to_reach")],
            11,
        ),
        ([(0, "unbook", "cancelled_person", "to_book"), (3, "pause", "own_wish", "paused_until"), (10, "resume", "", "to_reach")], 10),
    ],
)  # fmt: skip
def test_only_what_the_person_chose_is_left_out_of_the_service_clock(
    moves: list[tuple[int, str, str, str]], chosen: int
) -> None:
    # Source: section 3e of the job (the service clock excludes person-chosen pauses) and 2.14: after the person
    # cancelled, at most 28 days; both common practice, no source.
    found = [Moved(day(n), event, reason, state) for n, event, reason, state in moves]
    assert person_chosen_days(found, until=day(30)) == chosen
    assert Clocks(30, chosen).service == 30 - chosen


def test_the_promised_day_is_the_last_day_of_the_promise() -> None:
    assert promised_by(date(2026, 6, 17), 31) == date(2026, 7, 18)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.integers(0, 60), st.dictionaries(st.integers(1, 6), st.integers(0, 30), min_size=1, max_size=6)
)  # fmt: skip
def test_sharing_out_makes_the_heaviest_no_heavier_than_it_must_be(
    count: int, holding: dict[int, int]
) -> None:
    chosen = shared_out(range(count), sorted(holding), holding)
    after = {user: n + chosen.count(user) for user, n in holding.items()}
    assert len(chosen) == count
    given_to = [after[user] for user in set(chosen)]
    assert not given_to or max(given_to) - min(after.values()) <= 1
