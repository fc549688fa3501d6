"""Whether a scanned return is fit to test and whose it is: one verdict from plain values; pure rules.

The first finding of ``_FINDINGS`` that applies decides, in this order: not a kit of ours; already logged;
stops (died, lot quarantined, identity in doubt); a kit that never left; nothing in the envelope; whose it
is; the person's wish; the state of the round; the condition of the sample; its dates. A finding about
identity or wish comes before one about fitness, since "unsuitable" writes to the person and sends a new
kit. Sources: rulings R2, R3, R7, R16; the handling of each situation is common practice, local
protocol governs.
"""

from __future__ import annotations

from collections.abc import Callable

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
    Verdict,
)
from screening.accession_words import Reason, Remark
from screening.collection import CollectionReason, age_days, expired, sample_dates, too_old


def judge_return(facts: ReturnFacts, policy: AccessionPolicy) -> Verdict:
    """The verdict on a scanned return; never raises, every set of facts has exactly one.

    Source: the accession table and rulings R2, R3, R7 and R16, see the module's first lines.
    """
    remarks = _remarks(facts, policy)
    for finding in _FINDINGS:
        reason = finding(facts, policy)
        if reason is not None:
            return _verdict(reason, facts, policy, remarks)
    if remarks:
        return Verdict(Outcome.ACCEPTED_WITH_REMARK, ReturnState.READY, Reason.FIT, remarks)
    return Verdict(Outcome.ACCEPTED, ReturnState.READY, Reason.FIT)


def _verdict(
    reason: Reason, facts: ReturnFacts, policy: AccessionPolicy, remarks: tuple[Remark, ...]
) -> Verdict:
    """The verdict that goes with a finding; unfit-by-date samples may be measured where the protocol says
    so."""
    if reason in _UNSUITABLE:
        if reason in _UNFIT_BY_DATE and policy.report_high_from_unfit:
            noted = (*remarks, Remark.ONLY_HIGH_COUNTS)
            return Verdict(
                Outcome.ACCEPTED_WITH_REMARK, ReturnState.READY, reason, noted, only_high_counts=True
            )
        wanted = _replacement_wanted(facts)
        left = facts.replacements_used < policy.max_replacements
        noted = (*remarks, Remark.REPLACEMENTS_USED_UP) if wanted and not left else remarks
        return Verdict(Outcome.SET_ASIDE, ReturnState.UNSUITABLE, reason, noted, replace=wanted and left)
    outcome, state = _ELSEWHERE.get(reason, (Outcome.SET_ASIDE, ReturnState.SET_ASIDE))
    return Verdict(outcome, state, reason, remarks if state is ReturnState.SET_ASIDE else ())


def _replacement_wanted(facts: ReturnFacts) -> bool:
    """Whether the round still needs a kit: nothing else out or in, no newer round, and no wish against
    it."""
    needs_kit = facts.round in (RoundFact.KIT_DUE, RoundFact.KIT_OUT) or facts.round in REOPENING
    unwanted = facts.opted_out or facts.round is RoundFact.CLOSED_DECLINED
    elsewhere = facts.voided or facts.other_kit_in or facts.newer_round_open
    return needs_kit and not unwanted and not elsewhere


_UNFIT_BY_DATE = frozenset({Reason.OVER_AGE, Reason.EXPIRED})
_UNSUITABLE = _UNFIT_BY_DATE | {
    Reason.EMPTY,
    Reason.LEAKED_OUT,
    Reason.OVER_FULL,
    Reason.CLEAN_STICK,
    Reason.BUFFER_LOST,
    Reason.UNDATED_REFUSED,
}
_ELSEWHERE: dict[Reason, tuple[Outcome, ReturnState]] = {
    Reason.NOT_OURS: (Outcome.NOT_OURS, ReturnState.NONE),
    Reason.UNKNOWN_SERIAL: (Outcome.STOP, ReturnState.NONE),
    Reason.ALREADY_LOGGED: (Outcome.ALREADY_LOGGED, ReturnState.NONE),
    Reason.DIED: (Outcome.STOP, ReturnState.SET_ASIDE),
    Reason.LOT_QUARANTINED: (Outcome.STOP, ReturnState.SET_ASIDE),
    Reason.IDENTITY_IN_DOUBT: (Outcome.STOP, ReturnState.SET_ASIDE),
}


def _ownership(facts: ReturnFacts, _policy: AccessionPolicy) -> Reason | None:
    if facts.kit is None:
        return Reason.UNKNOWN_SERIAL if facts.serial_fits else Reason.NOT_OURS
    return Reason.ALREADY_LOGGED if facts.kit is KitFact.RETURNED else None


def _stops(facts: ReturnFacts, _policy: AccessionPolicy) -> Reason | None:
    if facts.person_died or facts.round is RoundFact.CLOSED_DIED:
        return Reason.DIED
    if facts.lot_quarantined:
        return Reason.LOT_QUARANTINED
    return Reason.IDENTITY_IN_DOUBT if facts.identity_in_doubt else None


def _never_left(facts: ReturnFacts, _policy: AccessionPolicy) -> Reason | None:
    if facts.round is None or facts.kit is KitFact.IN_STOCK:
        return Reason.NOT_ASSIGNED
    if facts.kit is KitFact.UNDELIVERED:
        return Reason.WAS_UNDELIVERED
    if facts.posted_after_arrival and facts.kit is not KitFact.ASSIGNED:
        return Reason.ARRIVAL_DAY_WRONG
    return Reason.NOT_DISPATCHED if facts.kit is KitFact.ASSIGNED or facts.dispatched_on is None else None


def _envelope(facts: ReturnFacts, _policy: AccessionPolicy) -> Reason | None:
    if facts.condition is Condition.TWO_VIALS:
        return Reason.TWO_VIALS
    return Reason.EMPTY if facts.condition is Condition.EMPTY else None


def _identity(facts: ReturnFacts, policy: AccessionPolicy) -> Reason | None:
    name = facts.label_name
    if name is LabelName.NOT_COMPARED:
        return Reason.NAME_CHECK_OWED
    if name is LabelName.OTHER:
        return Reason.SWAP_SUSPECTED if facts.household_kit_out else Reason.OTHER_NAME
    if facts.birth_date_differs:
        return Reason.OTHER_BIRTH_DATE
    if name is LabelName.ILLEGIBLE:
        return Reason.NAME_ILLEGIBLE
    if name is LabelName.MISSING and not _named_by_envelope(facts, policy):
        return Reason.NO_NAME
    return None


def _named_by_envelope(facts: ReturnFacts, policy: AccessionPolicy) -> bool:
    """Whether an unnamed vial may be taken by its named envelope: only one kit out there, and the
    protocol says so."""
    return policy.unnamed_with_envelope and facts.envelope_named and facts.only_kit_at_address


def _wish(facts: ReturnFacts, _policy: AccessionPolicy) -> Reason | None:
    return Reason.OPTED_OUT if facts.opted_out else None


def _round(facts: ReturnFacts, _policy: AccessionPolicy) -> Reason | None:
    if facts.round is RoundFact.FOLLOW_UP:
        return Reason.IN_FOLLOW_UP
    if facts.round is RoundFact.CLOSED_BELOW:
        return Reason.RESULT_ALREADY
    if facts.other_kit_in or facts.round is RoundFact.RESULT_DUE:
        return Reason.OTHER_KIT_IN
    open_or_reopening = facts.round in (RoundFact.KIT_DUE, RoundFact.KIT_OUT) or facts.round in REOPENING
    return None if open_or_reopening else Reason.ROUND_CLOSED


def _condition(facts: ReturnFacts, _policy: AccessionPolicy) -> Reason | None:
    return _CONDITION_REASONS.get(facts.condition)


_CONDITION_REASONS: dict[Condition, Reason] = {
    Condition.LEAKING: Reason.LEAKING,
    Condition.LEAKING_BELOW_MARK: Reason.LEAKED_OUT,
    Condition.OVER_FULL: Reason.OVER_FULL,
    Condition.CLEAN_STICK: Reason.CLEAN_STICK,
    Condition.BUFFER_LOST: Reason.BUFFER_LOST,
    Condition.DAMAGED: Reason.DAMAGED,
}


def _dates(facts: ReturnFacts, policy: AccessionPolicy) -> Reason | None:
    day, dispatched_on = facts.collection, facts.dispatched_on
    if day is None or dispatched_on is None:
        return Reason.NO_DATE_KEYED
    if day.set_aside is not None:
        return _COLLECTION_REASONS[day.set_aside]
    span = sample_dates(day, dispatched_on)
    if facts.lot_expires_on is not None and expired(span.latest, facts.lot_expires_on):
        return Reason.EXPIRED
    if day.undated and policy.missing_date is not MissingDateRule.WORST_CASE:
        refused = policy.missing_date is MissingDateRule.REJECT
        return Reason.UNDATED_REFUSED if refused else Reason.UNDATED
    if too_old(span.earliest, facts.judged_on, policy.age_limit_days):
        return Reason.UNDATED if day.undated else Reason.OVER_AGE
    return None


_COLLECTION_REASONS: dict[CollectionReason, Reason] = {
    CollectionReason.BEFORE_DISPATCH: Reason.BEFORE_DISPATCH,
    CollectionReason.OTHER_MONTH: Reason.OTHER_MONTH,
    CollectionReason.IMPOSSIBLE_DATE: Reason.IMPOSSIBLE_DATE,
    CollectionReason.FUTURE_DATE: Reason.FUTURE_DATE,
}

_FINDINGS: tuple[Callable[[ReturnFacts, AccessionPolicy], Reason | None], ...] = (
    _ownership,
    _stops,
    _never_left,
    _envelope,
    _identity,
    _wish,
    _round,
    _condition,
    _dates,
)


def _remarks(facts: ReturnFacts, policy: AccessionPolicy) -> tuple[Remark, ...]:
    """Everything worth noting beside the verdict, in the order of the scan."""
    candidates = (
        (facts.round in REOPENING, Remark.ROUND_HAD_CLOSED),
        (facts.newer_round_open, Remark.NEWER_ROUND_OPEN),
        (facts.voided, Remark.KIT_WAS_VOIDED),
        (facts.kit is KitFact.REPORTED_LOST, Remark.KIT_WAS_LOST),
        (facts.replacement_kit, Remark.REPLACEMENT_KIT),
        (
            facts.label_name is LabelName.MISSING and _named_by_envelope(facts, policy),
            Remark.NAMED_BY_ENVELOPE,
        ),
        (facts.condition is Condition.VISIBLE_BLOOD, Remark.VISIBLE_BLOOD),
        (facts.note_enclosed, Remark.NOTE_ENCLOSED),
        (facts.collection is not None and facts.collection.undated, Remark.UNDATED_WORST_CASE),
        (_in_last_days(facts, policy), Remark.LAST_DAYS),
    )
    return tuple(remark for applies, remark in candidates if applies)


def _in_last_days(facts: ReturnFacts, policy: AccessionPolicy) -> bool:
    """Whether the sample is within its limit but has at most ``last_days`` left."""
    if facts.collection is None or facts.dispatched_on is None or facts.collection.set_aside is not None:
        return False
    used = age_days(sample_dates(facts.collection, facts.dispatched_on).earliest, facts.judged_on)
    return 0 <= policy.age_limit_days - used <= policy.last_days
