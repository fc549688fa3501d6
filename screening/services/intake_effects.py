"""What a judged return changes: its own moves, the kit's and the round's, as plain rows; pure rules."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from screening.accession import judge_return
from screening.accession_facts import (
    REOPENING,
    AccessionPolicy,
    Condition,
    KitFact,
    LabelName,
    MissingDateRule,
    ReturnFacts,
    ReturnState,
    RoundFact,
    Verdict,
)
from screening.accession_words import Reason
from screening.collection import CollectionDay, sample_dates
from screening.services.intake_cards import CONDITIONS, LABEL_NAMES, Mark
from screening.states import KIT, RETURN, ROUND
from staff.roles import Pool
from staff.working_days import working_days_after

RESULT_DUE_DAYS = 7
OUT = frozenset({"assigned", "dispatched"})
AT_THE_DESK = frozenset(
    {Reason.OTHER_MONTH, Reason.NAME_CHECK_OWED, Reason.TWO_VIALS, Reason.ARRIVAL_DAY_WRONG}
)
"""Set-asides that reception solves with the vial in hand; all others wait for a call or another part."""


@dataclass(slots=True)
class KitFacts:
    """What the book knows of a scanned kit, its round and its person, as read under lock."""

    kit_id: int
    serial: str
    kit_state: str
    kit_seq: int
    dispatched_on: date | None
    voided: bool
    ordinal: int | None
    lot_quarantined: bool
    lot_expires_on: date
    age_limit_days: int
    has_return: bool
    round_id: int | None = None
    person_id: int | None = None
    round_state: str = ""
    round_reason: str = ""
    round_seq: int = 0
    invited_on: date | None = None
    max_replacements: int = 2
    hold_working_days: int = 2
    kits_of_round: int = 1
    other_kit_in: bool = False
    others_out: int = 0
    others_ready: bool = False
    identity_in_doubt: bool = False
    newer_round_open: bool = False
    opted_out: bool = False
    household_kit_out: bool = False
    look_alike: bool = False
    person_died: bool = False
    missing_date: str = "worst_case"
    report_high_from_unfit: bool = False
    one_desk: bool = False
    owed: dict[str, Any] | None = None
    name: str = ""
    birth_year: int | None = None

    @property
    def round_fact(self) -> RoundFact | None:
        """The round as the accession rule names it."""
        if self.round_id is None:
            return None
        return RoundFact(self.round_reason if self.round_state == "closed" else self.round_state)


@dataclass(frozen=True, slots=True)
class Effects:
    """The rows to write for one return; each move is the columns of its ledger row without the subject."""

    kit: KitFacts
    verdict: Verdict
    returned: dict[str, Any]
    return_moves: list[dict[str, Any]] = field(default_factory=list)
    kit_moves: list[dict[str, Any]] = field(default_factory=list)
    round_moves: list[dict[str, Any]] = field(default_factory=list)
    void_kit: bool = False

    @property
    def reopens(self) -> bool:
        """Whether a round that was closed opens again, so that the person is no longer due (R7)."""
        return any(move["event"] == "late_kit" for move in self.round_moves)


def policy_of(kit: KitFacts) -> AccessionPolicy:
    """The accession policy for this kit: the age limit of its model, the replacements of its protocol."""
    return AccessionPolicy(
        age_limit_days=kit.age_limit_days, max_replacements=kit.max_replacements,
        missing_date=MissingDateRule(kit.missing_date), report_high_from_unfit=kit.report_high_from_unfit,
    )  # fmt: skip


def first_possible_day(kit: KitFacts, arrived_on: date) -> date:
    """The first day this serial could have left us. Source: ruling R2."""
    left = kit.dispatched_on or kit.invited_on or arrived_on
    return min(left, arrived_on)


def facts_for(
    kit: KitFacts,
    *,
    arrived_on: date,
    today: date,
    day: CollectionDay | None,
    marks: Collection[Mark],
    compared: bool = True,
) -> ReturnFacts:
    """The accession rule's facts of a kit scanned today with what reception said of it.

    `compared` is False for a scan made while the network was away: nobody has seen the name (R16). A kit that by our records left after its delivery arrived counts as never dispatched,
    and where it has left by now, that arrival day is in doubt.
    """
    left = kit.dispatched_on if kit.dispatched_on and kit.dispatched_on <= arrived_on else None
    names = [LABEL_NAMES[mark] for mark in LABEL_NAMES if mark in marks]
    conditions = [CONDITIONS[mark] for mark in CONDITIONS if mark in marks]
    return ReturnFacts(
        kit=KitFact.RETURNED if kit.has_return else KitFact(kit.kit_state),
        round=kit.round_fact,
        arrived_on=arrived_on,
        judged_on=today,
        dispatched_on=left,
        posted_after_arrival=left is None and kit.dispatched_on is not None and kit.dispatched_on <= today,
        collection=day,
        voided=kit.voided,
        replacement_kit=(kit.ordinal or 1) > 1,
        lot_quarantined=kit.lot_quarantined,
        lot_expires_on=kit.lot_expires_on,
        identity_in_doubt=kit.identity_in_doubt,
        person_died=kit.person_died,
        opted_out=kit.opted_out,
        newer_round_open=kit.newer_round_open,
        other_kit_in=kit.other_kit_in,
        label_name=names[0] if names else LabelName.SAME if compared else LabelName.NOT_COMPARED,
        birth_date_differs=Mark.OTHER_BIRTH_DATE in marks,
        household_kit_out=kit.household_kit_out,
        condition=conditions[0] if conditions else Condition.GOOD,
        note_enclosed=Mark.NOTE_ENCLOSED in marks,
        replacements_used=max(kit.kits_of_round - 1, 0),
    )


def verdict_on(
    kit: KitFacts,
    arrived_on: date,
    today: date,
    day: CollectionDay | None,
    marks: Collection[Mark],
    compared: bool = True,
) -> Verdict:
    """The accession verdict on a kit of ours."""
    facts = facts_for(kit, arrived_on=arrived_on, today=today, day=day, marks=marks, compared=compared)
    return judge_return(facts, policy_of(kit))


def hold(kit: KitFacts, reason: Reason, today: date, closed: Collection[date]) -> tuple[date, str]:
    """Until when, and by whose hands, a set-aside is to be solved."""
    pool = Pool.FRONT_DESK if reason in AT_THE_DESK else Pool.PHONE_DESK
    return working_days_after(today, kit.hold_working_days, closed), pool.value


def effects_of(
    kit: KitFacts,
    verdict: Verdict,
    *,
    arrived_on: date,
    today: date,
    day: CollectionDay | None = None,
    keyed: str = "",
    compared: bool = True,
    closed: Collection[date] = (),
    tray_id: int | None = None,
    position: int | None = None,
) -> Effects:
    """Everything a judged return changes; a verdict that writes no return changes nothing."""
    first = first_possible_day(kit, arrived_on)
    earliest, latest = first, arrived_on
    if day is not None:
        dates = sample_dates(day, first)
        earliest, latest = dates.earliest, dates.latest
    returned = {
        "arrived_on": arrived_on,
        "label_day": keyed[:24],
        "collected_earliest": earliest,
        "collected_latest": latest,
        "name_checked": compared and day is not None,
        "remark": remarks_packed(verdict),
        "tray_id": tray_id,
        "position": position,
    }
    effects = Effects(kit, verdict, returned, void_kit=verdict.reason is Reason.NOT_ASSIGNED)
    due, pool = hold(kit, verdict.reason, today, closed)
    effects.return_moves.extend(_return_moves(verdict, today, due, pool))
    if KIT.allows(kit.kit_state, "return"):
        effects.kit_moves.append(_move(KIT, kit.kit_state, "return", kit.kit_seq + 1))
    effects.round_moves.extend(_round_moves(kit, verdict, today, due, pool))
    return effects


def remarks_packed(verdict: Verdict) -> str:
    """The remarks as one text of at most 40 characters, as many as fit."""
    text = ""
    for remark in verdict.remarks:
        longer = f"{text} {remark.value}".strip()
        text = longer if len(longer) <= 40 else text
    return text


def _move(machine: Any, source: str, event: str, seq: int, **columns: Any) -> dict[str, Any]:
    step = machine.step(source, event)
    empty = {"due_on": None, "pool": "", "reason": "", "note": "", "rule": ""}
    return empty | {"seq": seq, "event": event, "from_state": source, "to_state": step.target} | columns


def _return_moves(verdict: Verdict, today: date, due: date, pool: str) -> list[dict[str, Any]]:
    code = verdict.reason.value
    logged = _move(RETURN, "", "log", 1, due_on=today, pool=Pool.FRONT_DESK.value)
    if verdict.return_state is ReturnState.READY:
        second = _move(RETURN, "logged", "accept", 2, reason="" if verdict.reason is Reason.FIT else code)
    elif verdict.return_state is ReturnState.UNSUITABLE:
        second = _move(RETURN, "logged", "reject", 2, reason=code)
    else:
        second = _move(RETURN, "logged", "set_aside", 2, due_on=due, pool=pool, reason=code)
    return [logged, second]


def _takes_the_round(kit: KitFacts, verdict: Verdict) -> str:
    """The event by which this kit takes its round to `result_due`, or nothing where the round stays.

    A round closed without a result opens again (R7), unless a newer round is open or the person has died.
    An unfit kit leaves its round alone where another kit of the round is still out or, for a void one, already owed,
    and where nobody wants a replacement.
    """
    fact, unfit = kit.round_fact, verdict.return_state is ReturnState.UNSUITABLE
    if unfit and (kit.others_out or (kit.voided and fact is RoundFact.KIT_DUE)):
        return ""
    # Nobody knows whose a kit in doubt is, so a round that waits for a fresh one, or has one out, goes on waiting (H5).
    if verdict.reason is Reason.IDENTITY_IN_DOUBT and (fact is RoundFact.KIT_DUE or kit.others_out):
        return ""
    if fact in (RoundFact.KIT_DUE, RoundFact.KIT_OUT):
        return "kit_back"
    reopens = fact in REOPENING and not kit.newer_round_open and not kit.person_died
    return "late_kit" if reopens and not (unfit and not verdict.replace) else ""


def _round_moves(kit: KitFacts, verdict: Verdict, today: date, due: date, pool: str) -> list[dict[str, Any]]:
    event = _takes_the_round(kit, verdict)
    if not event:
        return []
    about: dict[str, Any] = {
        "note": kit.serial,
        "rule": "R7" if event == "late_kit" else "",
        "due_on": due,
        "pool": pool,
    }
    if verdict.return_state is ReturnState.READY:
        about |= {"due_on": today + timedelta(days=RESULT_DUE_DAYS), "pool": Pool.LABORATORY.value}
    if verdict.return_state is ReturnState.UNSUITABLE:
        about |= {"pool": Pool.PHONE_DESK.value}
    moves = [_move(ROUND, kit.round_state, event, kit.round_seq + 1, **about)]
    if verdict.return_state is ReturnState.UNSUITABLE and verdict.replace:
        again = {
            "due_on": today,
            "pool": Pool.OFFICE.value,
            "reason": verdict.reason.value,
            "note": kit.serial,
        }
        moves.append(_move(ROUND, "result_due", "unsuitable", kit.round_seq + 2, **again))
    return moves


def kit_facts_after(kit: KitFacts, effects: Effects) -> None:
    """Bring facts read before a batch up to date with what another kit of the round has just brought."""
    if effects.round_moves:
        last = effects.round_moves[-1]
        kit.round_state, kit.round_seq, kit.round_reason = last["to_state"], last["seq"], ""
    if effects.verdict.return_state is ReturnState.SET_ASIDE:
        kit.other_kit_in = True
    if not effects.kit.voided and effects.kit.kit_state in OUT:
        kit.others_out -= 1
