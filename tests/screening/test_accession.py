"""The verdict on a scanned return: the accession table row by row, then what must hold over all
combinations."""

import os
from dataclasses import replace
from datetime import date, timedelta
from itertools import product
from typing import Any

import pytest
from django.conf import settings

from screening.accession import judge_return
from screening.accession_facts import (
    REOPENING,
    AccessionPolicy,
    Condition,
    KitFact,
    LabelName,
    MissingDateRule,
    Outcome,
    ReturnFacts,
    ReturnState,
    RoundFact,
)
from screening.accession_words import REASON_SENTENCES, REMARK_SENTENCES, Reason, Remark
from screening.collection import infer_day

if not settings.configured and "DJANGO_SETTINGS_MODULE" not in os.environ:
    settings.configure(USE_I18N=False)

SENT, ARRIVED = date(2026, 5, 4), date(2026, 6, 1)
POLICY = AccessionPolicy()
CLEAN = ReturnFacts(
    kit=KitFact.DISPATCHED,
    round=RoundFact.KIT_OUT,
    arrived_on=ARRIVED,
    judged_on=ARRIVED,
    dispatched_on=SENT,
    collection=infer_day("28", ARRIVED, SENT),
    lot_expires_on=date(2026, 12, 31),
)
READY, ASIDE, UNSUITABLE, NONE = (
    ReturnState.READY, ReturnState.SET_ASIDE, ReturnState.UNSUITABLE, ReturnState.NONE,
)  # fmt: skip


def keyed(text: str) -> dict[str, Any]:
    return {"collection": infer_day(text, ARRIVED, SENT)}


def test_a_clean_kit() -> None:
    verdict = judge_return(CLEAN, POLICY)
    assert (verdict.outcome, verdict.return_state, verdict.reason) == (Outcome.ACCEPTED, READY, Reason.FIT)
    assert verdict.remarks == ()
    assert str(verdict.remark) == ""
    assert not verdict.replace


# Source: the accession table of the job and rulings R2, R3, R7, R16; common practice where neither speaks.
@pytest.mark.parametrize(
    ("change", "outcome", "state", "reason"),
    [
        ({"kit": None, "serial_fits": False}, Outcome.NOT_OURS, NONE, Reason.NOT_OURS),
        ({"kit": None}, Outcome.STOP, NONE, Reason.UNKNOWN_SERIAL),
        ({"kit": KitFact.RETURNED}, Outcome.ALREADY_LOGGED, NONE, Reason.ALREADY_LOGGED),
        ({"person_died": True}, Outcome.STOP, ASIDE, Reason.DIED),
        ({"round": RoundFact.CLOSED_DIED}, Outcome.STOP, ASIDE, Reason.DIED),
        ({"lot_quarantined": True}, Outcome.STOP, ASIDE, Reason.LOT_QUARANTINED),
        ({"identity_in_doubt": True}, Outcome.STOP, ASIDE, Reason.IDENTITY_IN_DOUBT),
        ({"kit": KitFact.IN_STOCK, "round": None}, Outcome.SET_ASIDE, ASIDE, Reason.NOT_ASSIGNED),
        ({"kit": KitFact.ASSIGNED}, Outcome.SET_ASIDE, ASIDE, Reason.NOT_DISPATCHED),
        ({"dispatched_on": None}, Outcome.SET_ASIDE, ASIDE, Reason.NOT_DISPATCHED),
        ({"dispatched_on": None, "posted_after_arrival": True}, Outcome.SET_ASIDE, ASIDE, Reason.ARRIVAL_DAY_WRONG),
        ({"kit": KitFact.ASSIGNED, "posted_after_arrival": True}, Outcome.SET_ASIDE, ASIDE, Reason.NOT_DISPATCHED),
        ({"kit": KitFact.UNDELIVERED}, Outcome.SET_ASIDE, ASIDE, Reason.WAS_UNDELIVERED),
        ({"condition": Condition.TWO_VIALS}, Outcome.SET_ASIDE, ASIDE, Reason.TWO_VIALS),
        ({"condition": Condition.EMPTY}, Outcome.SET_ASIDE, UNSUITABLE, Reason.EMPTY),
        ({"condition": Condition.EMPTY, "collection": None}, Outcome.SET_ASIDE, UNSUITABLE, Reason.EMPTY),
        ({"label_name": LabelName.MISSING}, Outcome.SET_ASIDE, ASIDE, Reason.NO_NAME),
        ({"label_name": LabelName.ILLEGIBLE}, Outcome.SET_ASIDE, ASIDE, Reason.NAME_ILLEGIBLE),
        ({"label_name": LabelName.OTHER}, Outcome.SET_ASIDE, ASIDE, Reason.OTHER_NAME),
        ({"label_name": LabelName.OTHER, "household_kit_out": True}, Outcome.SET_ASIDE, ASIDE,
         Reason.SWAP_SUSPECTED),
        ({"label_name": LabelName.NOT_COMPARED}, Outcome.SET_ASIDE, ASIDE, Reason.NAME_CHECK_OWED),
        ({"birth_date_differs": True}, Outcome.SET_ASIDE, ASIDE, Reason.OTHER_BIRTH_DATE),
        ({"opted_out": True}, Outcome.SET_ASIDE, ASIDE, Reason.OPTED_OUT),
        ({"round": RoundFact.FOLLOW_UP}, Outcome.SET_ASIDE, ASIDE, Reason.IN_FOLLOW_UP),
        ({"round": RoundFact.CLOSED_BELOW}, Outcome.SET_ASIDE, ASIDE, Reason.RESULT_ALREADY),
        ({"round": RoundFact.RESULT_DUE}, Outcome.SET_ASIDE, ASIDE, Reason.OTHER_KIT_IN),
        ({"other_kit_in": True}, Outcome.SET_ASIDE, ASIDE, Reason.OTHER_KIT_IN),
        ({"round": RoundFact.CLOSED_EXCLUDED}, Outcome.SET_ASIDE, ASIDE, Reason.ROUND_CLOSED),
        ({"round": RoundFact.CLOSED_UNDELIVERABLE}, Outcome.SET_ASIDE, ASIDE, Reason.ROUND_CLOSED),
        ({"round": RoundFact.CLOSED_SUPERSEDED}, Outcome.SET_ASIDE, ASIDE, Reason.ROUND_CLOSED),
        ({"condition": Condition.LEAKING}, Outcome.SET_ASIDE, ASIDE, Reason.LEAKING),
        ({"condition": Condition.DAMAGED}, Outcome.SET_ASIDE, ASIDE, Reason.DAMAGED),
        ({"condition": Condition.LEAKING_BELOW_MARK}, Outcome.SET_ASIDE, UNSUITABLE, Reason.LEAKED_OUT),
        ({"condition": Condition.OVER_FULL}, Outcome.SET_ASIDE, UNSUITABLE, Reason.OVER_FULL),
        ({"condition": Condition.CLEAN_STICK}, Outcome.SET_ASIDE, UNSUITABLE, Reason.CLEAN_STICK),
        ({"condition": Condition.BUFFER_LOST}, Outcome.SET_ASIDE, UNSUITABLE, Reason.BUFFER_LOST),
        ({"collection": None}, Outcome.SET_ASIDE, ASIDE, Reason.NO_DATE_KEYED),
        (keyed("2"), Outcome.SET_ASIDE, ASIDE, Reason.BEFORE_DISPATCH),
        (keyed("OTHER MONTH"), Outcome.SET_ASIDE, ASIDE, Reason.OTHER_MONTH),
        (keyed("30/2"), Outcome.SET_ASIDE, ASIDE, Reason.IMPOSSIBLE_DATE),
        (keyed("2026-06-02"), Outcome.SET_ASIDE, ASIDE, Reason.FUTURE_DATE),
        (keyed("17"), Outcome.SET_ASIDE, UNSUITABLE, Reason.OVER_AGE),
        (keyed("NO DATE"), Outcome.SET_ASIDE, ASIDE, Reason.UNDATED),
        ({"lot_expires_on": date(2026, 5, 27)}, Outcome.SET_ASIDE, UNSUITABLE, Reason.EXPIRED),
    ],
)  # fmt: skip
def test_what_is_not_accepted(
    change: dict[str, Any], outcome: Outcome, state: ReturnState, reason: Reason
) -> None:
    verdict = judge_return(replace(CLEAN, **change), POLICY)
    assert (verdict.outcome, verdict.return_state, verdict.reason) == (outcome, state, reason)
    assert str(verdict.sentence)


@pytest.mark.parametrize(
    ("change", "remarks"),
    [
        ({"round": RoundFact.CLOSED_NOT_RETURNED}, [Remark.ROUND_HAD_CLOSED]),
        ({"round": RoundFact.CLOSED_DECLINED}, [Remark.ROUND_HAD_CLOSED]),
        ({"round": RoundFact.CLOSED_NO_USABLE_SAMPLE}, [Remark.ROUND_HAD_CLOSED]),
        ({"round": RoundFact.CLOSED_POSTPONED}, [Remark.ROUND_HAD_CLOSED]),
        ({"round": RoundFact.CLOSED_MOVED_AWAY}, [Remark.ROUND_HAD_CLOSED]),
        ({"round": RoundFact.CLOSED_NOT_RETURNED, "newer_round_open": True},
         [Remark.ROUND_HAD_CLOSED, Remark.NEWER_ROUND_OPEN]),
        ({"voided": True}, [Remark.KIT_WAS_VOIDED]),
        ({"round": RoundFact.KIT_DUE, "voided": True}, [Remark.KIT_WAS_VOIDED]),
        ({"kit": KitFact.REPORTED_LOST}, [Remark.KIT_WAS_LOST]),
        ({"replacement_kit": True}, [Remark.REPLACEMENT_KIT]),
        ({"condition": Condition.VISIBLE_BLOOD, "note_enclosed": True},
         [Remark.VISIBLE_BLOOD, Remark.NOTE_ENCLOSED]),
        (keyed("18"), [Remark.LAST_DAYS]),
        (keyed("20"), [Remark.LAST_DAYS]),
        (keyed("21"), []),
        ({"lot_expires_on": date(2026, 5, 28)}, []),
        ({"lot_expires_on": None}, []),
    ],
)  # fmt: skip
def test_what_is_accepted_with_a_remark(change: dict[str, Any], remarks: list[Remark]) -> None:
    verdict = judge_return(replace(CLEAN, **change), POLICY)
    assert verdict.return_state is READY
    assert list(verdict.remarks) == remarks
    assert (verdict.outcome is Outcome.ACCEPTED_WITH_REMARK) == bool(remarks)
    assert str(verdict.remark) == " ".join(str(REMARK_SENTENCES[remark]) for remark in remarks)


@pytest.mark.parametrize(("rule", "absent", "state", "reason"), [
    (MissingDateRule.WORST_CASE, 14, READY, Reason.FIT),
    (MissingDateRule.WORST_CASE, 15, ASIDE, Reason.UNDATED),
    (MissingDateRule.PHONE, 5, ASIDE, Reason.UNDATED),
    (MissingDateRule.REJECT, 5, UNSUITABLE, Reason.UNDATED_REFUSED),
])  # fmt: skip
def test_the_missing_date_rule(
    rule: MissingDateRule, absent: int, state: ReturnState, reason: Reason
) -> None:
    sent = ARRIVED - timedelta(days=absent)
    facts = replace(CLEAN, dispatched_on=sent, collection=infer_day("NO DATE", ARRIVED, sent))
    verdict = judge_return(facts, AccessionPolicy(missing_date=rule))
    assert (verdict.return_state, verdict.reason) == (state, reason)
    assert Remark.UNDATED_WORST_CASE in verdict.remarks


def test_the_age_is_judged_on_the_day_of_the_scan() -> None:
    facts = replace(CLEAN, **keyed("18"))
    assert judge_return(facts, POLICY).return_state is READY
    late = replace(facts, judged_on=ARRIVED + timedelta(days=1))
    assert judge_return(late, POLICY).reason is Reason.OVER_AGE


def test_an_undated_kit_expires_on_its_latest_day() -> None:
    sent = ARRIVED - timedelta(days=5)
    facts = replace(
        CLEAN,
        dispatched_on=sent,
        collection=infer_day(".", ARRIVED, sent),
        lot_expires_on=ARRIVED - timedelta(days=1),
    )
    assert judge_return(facts, POLICY).reason is Reason.EXPIRED


@pytest.mark.parametrize("change", [keyed("17"), {"lot_expires_on": date(2026, 5, 27)}])
def test_the_asymmetric_rule(change: dict[str, Any]) -> None:
    verdict = judge_return(replace(CLEAN, **change), AccessionPolicy(report_high_from_unfit=True))
    assert (verdict.outcome, verdict.return_state) == (Outcome.ACCEPTED_WITH_REMARK, READY)
    assert verdict.only_high_counts
    assert Remark.ONLY_HIGH_COUNTS in verdict.remarks


@pytest.mark.parametrize("facts", list(product((False, True), repeat=3)))
def test_an_unnamed_vial_needs_rule_envelope_and_a_single_kit(facts: tuple[bool, bool, bool]) -> None:
    by_rule, envelope, single = facts
    scan = replace(CLEAN, label_name=LabelName.MISSING, envelope_named=envelope, only_kit_at_address=single)
    verdict = judge_return(scan, AccessionPolicy(unnamed_with_envelope=by_rule))
    assert (verdict.return_state is READY) == all(facts)
    assert (Remark.NAMED_BY_ENVELOPE in verdict.remarks) == all(facts)


@pytest.mark.parametrize(
    ("change", "replaced", "phoned"),
    [
        ({}, True, False), ({"replacements_used": 1}, True, False), ({"replacements_used": 2}, False, True),
        ({"voided": True}, False, False), ({"other_kit_in": True}, False, False),
        ({"opted_out": True}, False, False), ({"round": RoundFact.CLOSED_DECLINED}, False, False),
        ({"round": RoundFact.CLOSED_NOT_RETURNED}, True, False),
        ({"round": RoundFact.CLOSED_BELOW}, False, False),
        ({"round": RoundFact.CLOSED_NOT_RETURNED, "newer_round_open": True}, False, False),
    ],
)  # fmt: skip
def test_who_gets_a_replacement(change: dict[str, Any], replaced: bool, phoned: bool) -> None:
    verdict = judge_return(replace(CLEAN, condition=Condition.EMPTY, **change), POLICY)
    assert (verdict.replace, Remark.REPLACEMENTS_USED_UP in verdict.remarks) == (replaced, phoned)


def test_identity_and_wish_come_before_fitness() -> None:
    spoilt = replace(CLEAN, condition=Condition.OVER_FULL, **keyed("17"))
    assert judge_return(replace(spoilt, label_name=LabelName.OTHER), POLICY).reason is Reason.OTHER_NAME
    assert judge_return(replace(spoilt, opted_out=True), POLICY).reason is Reason.OPTED_OUT
    assert judge_return(replace(spoilt, person_died=True, opted_out=True), POLICY).reason is Reason.DIED


def test_over_all_combinations() -> None:
    days = [infer_day(text, ARRIVED, SENT) for text in ("17", "28")]
    flags = ("person_died", "lot_quarantined", "opted_out", "other_kit_in")
    seen = set()
    for kit, round_fact, name, condition, day in product(
        (*KitFact, None), (*RoundFact, None), LabelName, Condition, days
    ):
        base = replace(CLEAN, kit=kit, round=round_fact, label_name=name, condition=condition, collection=day)
        for raised in (None, *flags):
            change: dict[str, Any] = {raised: True} if raised else {}
            facts = replace(base, **change)
            verdict = judge_return(facts, POLICY)
            seen.add(verdict.reason)
            _must_hold(facts, verdict.return_state, verdict.outcome, verdict.replace, raised)
    assert seen >= {
        Reason.FIT,
        Reason.DIED,
        Reason.OPTED_OUT,
        Reason.ROUND_CLOSED,
        Reason.OVER_AGE,
    }


def _must_hold(
    facts: ReturnFacts, state: ReturnState, outcome: Outcome, replaced: bool, raised: str | None
) -> None:
    accepted = outcome in (Outcome.ACCEPTED, Outcome.ACCEPTED_WITH_REMARK)
    assert accepted == (state is READY)
    if state is READY:
        assert raised is None
        assert facts.label_name is LabelName.SAME
        assert facts.round in {RoundFact.KIT_DUE, RoundFact.KIT_OUT} | REOPENING
        assert facts.condition in (Condition.GOOD, Condition.VISIBLE_BLOOD)
    if facts.kit is not None and facts.kit is not KitFact.RETURNED:
        assert state is not NONE  # what lies on the belt is never refused
    if raised in ("person_died", "lot_quarantined"):
        assert outcome in (Outcome.STOP, Outcome.ALREADY_LOGGED)
    assert not replaced or (state is UNSUITABLE and raised is None)


def test_every_reason_and_remark_has_a_sentence() -> None:
    assert set(REASON_SENTENCES) == set(Reason)
    assert set(REMARK_SENTENCES) == set(Remark)
