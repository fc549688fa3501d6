"""The evidence every close reason demands, over the whole table, and the date each end gives (H18, R9)."""

from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations

import pytest

from results.closing import (
    AFTER,
    DEMANDS,
    ClosingFacts,
    DueFacts,
    Evidence,
    closing_gaps,
    next_due_after,
    since_last_talk,
)
from results.referral_ladder import Attempt, Channel, LadderPolicy
from results.states import REFERRAL_CLOSE_REASONS

TODAY = date(2026, 6, 17)
LADDER = LadderPolicy()
ENOUGH = tuple(
    Attempt(on=TODAY - timedelta(days=days), channel=channel, by=1)
    for days, channel in (
        (22, Channel.CALL), (21, Channel.CALL), (18, Channel.CALL), (17, Channel.LETTER), (9, Channel.TRACKED_LETTER),
    )
)  # fmt: skip
TALK = Attempt(on=TODAY - timedelta(days=30), channel=Channel.CALL, by=1, reached=True)
GIVES = {
    Evidence.NEXT_STEP: {"next_step": True},
    Evidence.CLINICIAN: {"by_clinician": True},
    Evidence.CLINICIAN_TALK: {"clinician_talked": True},
    Evidence.NOTE: {"note": "Spoke at length; understands and declines."},
    Evidence.DOCUMENT: {"document": "REP-1"},
    Evidence.SPOKE: {},
    Evidence.ATTEMPTS: {},
    Evidence.SECOND_PERSON: {"agreed_by": 2},
    Evidence.DEATH: {"deceased": True},
    Evidence.WITHDRAWN: {"standing_results": 0},
    Evidence.PLAN: {"from_plan": True},
}


def facts_with(given: set[Evidence]) -> ClosingFacts:
    """Facts that hold exactly this evidence."""
    facts = ClosingFacts(closed_by=1)
    for one in given:
        facts = replace(facts, **GIVES[one])
    attempts = ((TALK,) if Evidence.SPOKE in given else ()) + (ENOUGH if Evidence.ATTEMPTS in given else ())
    return replace(facts, attempts=attempts)


def test_every_reason_of_the_machine_has_its_evidence_and_its_date() -> None:
    assert set(DEMANDS) == set(AFTER) == set(REFERRAL_CLOSE_REASONS)
    assert all(DEMANDS.values())


@pytest.mark.parametrize("reason", sorted(DEMANDS))
def test_a_reason_closes_on_exactly_its_evidence(reason: str) -> None:
    # Source: common practice, no source: a referral ends only with evidence that somebody else can check.
    for size in range(len(Evidence) + 1):
        for given in map(set, combinations(Evidence, size)):
            missing = {
                gap.evidence for gap in closing_gaps(reason, facts_with(given), on=TODAY, ladder=LADDER)
            }
            assert missing == set(DEMANDS[reason]) - given, (reason, given)


@pytest.mark.parametrize(
    ("attempts", "enough"),
    [
        (ENOUGH, True),
        (ENOUGH[1:], False),
        (tuple(replace(one, on=one.on + timedelta(days=2)) for one in ENOUGH), False),
        (tuple(replace(one, on=one.on + timedelta(days=1)) for one in ENOUGH), True),
        (tuple(replace(one, channel=Channel.CALL) for one in ENOUGH), False),
        ((*ENOUGH, replace(TALK, on=TODAY)), False),
        ((TALK, *ENOUGH), True),
    ],
)  # fmt: skip
def test_not_reached_needs_five_attempts_over_three_weeks_in_two_ways(
    attempts: tuple[Attempt, ...], enough: bool
) -> None:
    # Source: common practice, no source; the programme's protocol decides.
    facts = ClosingFacts(closed_by=1, agreed_by=2, attempts=attempts)
    assert (closing_gaps("not_reached", facts, on=TODAY, ladder=LADDER) == []) is enough


def test_nobody_is_a_second_person_to_herself() -> None:
    facts = ClosingFacts(closed_by=1, agreed_by=1, attempts=ENOUGH)
    assert [gap.evidence for gap in closing_gaps("not_reached", facts, on=TODAY, ladder=LADDER)] == [
        Evidence.SECOND_PERSON
    ]


def test_blank_words_are_no_evidence() -> None:
    facts = ClosingFacts(
        document="  ", note=" \n", by_clinician=True, clinician_talked=True, attempts=(TALK,)
    )
    assert [gap.evidence for gap in closing_gaps("transferred", facts, on=TODAY, ladder=LADDER)] == [
        Evidence.DOCUMENT
    ]
    assert [gap.evidence for gap in closing_gaps("informed_refusal", facts, on=TODAY, ladder=LADDER)] == [
        Evidence.NOTE
    ]


def test_only_attempts_after_the_last_talk_count() -> None:
    assert since_last_talk([*ENOUGH, TALK]) == list(ENOUGH)
    assert since_last_talk([*ENOUGH, replace(TALK, on=TODAY)]) == []


@pytest.mark.parametrize(
    ("reason", "more", "due"),
    [
        ("next_step_signed", {"signed_step": "screening", "signed_on": date(2028, 6, 1)}, date(2028, 6, 1)),
        ("next_step_signed", {"signed_step": "surveillance", "signed_on": date(2029, 6, 1)}, None),
        ("next_step_signed", {"signed_step": "treatment"}, None),
        ("next_step_signed", {"signed_step": "no_further"}, None),
        ("informed_refusal", {}, date(2028, 3, 2)),
        ("not_reached", {}, date(2028, 3, 2)),
        ("already_examined", {"examined_on": date(2025, 11, 30)}, date(2027, 11, 30)),
        ("examined_elsewhere", {}, date(2028, 3, 2)),
        ("unfit_for_good", {}, None),
        ("died", {}, None),
        ("transferred", {}, None),
        ("result_withdrawn", {}, TODAY),
    ],
)
def test_each_end_gives_its_date(reason: str, more: dict[str, object], due: date | None) -> None:
    facts = DueFacts(today=TODAY, interval_months=24, result_on=date(2026, 3, 2), **more)
    assert next_due_after(reason, facts) == due
