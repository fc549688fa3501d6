"""Releasing results: those below in one go, those at or above one by one with their referral, in one transaction."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from django.db import connection
from django.utils.translation import gettext as _

from results.classify import Side
from results.models import Result, Sample
from results.services.authorise_facts import Candidate, candidates
from results.services.readings_copy import copy_rows
from results.services.referral_opening import referral_open_for
from results.services.samples import rounds_without_usable_kit
from results.services.typed import typed_alone, typists_of
from screening.models import Round
from screening.services.rounds import rounds_close, rounds_reported_at_or_above, rounds_reported_below
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.ledger.moves import make_move, make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Role

COLUMNS = [
    "sample_id",
    "round_id",
    "person_id",
    "version",
    "is_current",
    "is_deciding",
    "reading_id",
    "run_id",
    "raw_value",
    "raw_unit",
    "comparator",
    "kit_model_id",
    "stool_mg",
    "buffer_ml",
    "reported_ug_g",
    "decimals",
    "side",
    "rule_id",
    "cutoff_ug_g",
    "comparison",
    "sex_used",
    "age_used",
    "exact_differs",
    "qualitative",
    "analysed_on",
    "authorised_on",
    "authorised_at",
    "authorised_by_id",
    "reason",
]
LOCK_READY = """
    SELECT id FROM results_sample WHERE state = 'ready_to_authorise' AND (%(all)s OR id = ANY(%(ids)s))
    ORDER BY id LIMIT %(limit)s FOR NO KEY UPDATE
"""
DECIDED = "SELECT round_id FROM results_result WHERE round_id = ANY(%s) AND is_deciding"
VERSIONS = "SELECT sample_id, max(version) FROM results_result WHERE sample_id = ANY(%s) GROUP BY sample_id"


def results_release_below(*, by: User, sample_ids: Sequence[int] | None = None, limit: int = 20_000) -> int:
    """Release every result below that nothing stands in the way of; returns how many.

    Machine-transferred, unflagged, in control before and after, not too old, not straddling the cutoff, no other
    reading of the round at or above (R5), no earlier result at or above left open (I30), no unsettled line naming the
    sample. Everything else stays on the list for a person. Safe to run twice.
    """
    require_role(by, Role.LABORATORY)
    return below_released(by=by, sample_ids=sample_ids, limit=limit)


def below_released(*, by: User, sample_ids: Sequence[int] | None = None, limit: int = 20_000) -> int:
    """Do the bulk release for whoever has been let through: a person of the laboratory, or the protocol's own rule."""
    with acting(by) as frame:
        found = candidates(_lock(sample_ids, limit))
        _old_below_replaced([one for one in found if one.old_below], by=by, frame=frame)
        clear = [one for one in found if one.clear_below]
        if not clear:
            return 0
        _write(clear, Side.BELOW, by=by, frame=frame)
        _report([one.fact.sample_id for one in clear])
        rounds_reported_below(
            by=by, rows=list(dict.fromkeys((one.fact.round_id, frame.today) for one in clear))
        )
    return len(clear)


def _old_below_replaced(old: Sequence[Candidate], *, by: User, frame: Acting) -> None:
    """Samples past their age or expiry that read below are reported to nobody: they are unsuitable, and a new kit is owed."""
    if not old:
        return
    ids, ledger = [one.fact.sample_id for one in old], ledger_of(Sample)
    why = {"ids": ids, "due": frame.today, "who": by.pk}
    source, rule = (
        "SELECT unnest(%(ids)s::bigint[]) AS id",
        {"reason": "'over_age'", "rule": "'only_high_counts'"},
    )
    make_moves(
        ledger, "hold", source=source, params=why, values=rule | {"due_on": "%(due)s", "owner_id": "%(who)s"}
    )
    make_moves(ledger, "spoil", source=source, params=why, values=rule)
    rounds_without_usable_kit(by=by, sample_ids=ids, reasons=dict.fromkeys(ids, "over_age"))


def _lock(sample_ids: Sequence[int] | None, limit: int) -> list[int]:
    params: dict[str, Any] = {"all": sample_ids is None, "ids": list(sample_ids or []), "limit": limit}
    with connection.cursor() as cursor:
        cursor.execute(LOCK_READY, params)
        return [row[0] for row in cursor.fetchall()]


def _write(
    chosen: Sequence[Candidate],
    side: Side,
    *,
    by: User,
    frame: Acting,
    reason: str = "",
    deciding: bool | None = None,
) -> None:
    """Write results with everything that decided them (I7)."""
    ids = [one.fact.sample_id for one in chosen]
    rounds = {one.fact.round_id for one in chosen}
    with connection.cursor() as cursor:
        cursor.execute(DECIDED, [list(rounds)])
        decided = {row[0] for row in cursor.fetchall()}
        cursor.execute(VERSIONS, [ids])
        versions = dict(cursor.fetchall())
    rows = []
    for one in chosen:
        decides = one.fact.round_id not in decided if deciding is None else deciding
        decided.add(one.fact.round_id)
        version = versions.get(one.fact.sample_id, 0) + 1
        rows.append((*_decided_by(one, version, decides, side), frame.today, frame.now, by.pk, reason))
    copy_rows("results_result", COLUMNS, rows)


def _decided_by(one: Candidate, version: int, decides: bool, side: Side) -> tuple[object, ...]:
    """The columns of a result up to its day of analysis."""
    fact, outcome, rule = one.fact, one.classed.outcome, one.classed.rule
    return (
        fact.sample_id, fact.round_id, fact.person_id, version, True, decides, fact.reading_id, fact.run_id,
        fact.value, fact.unit, fact.comparator, fact.kit_model_id, fact.stool_mg, fact.buffer_ml, outcome.reported,
        one.classed.decimals, side.value, rule.id, rule.cutoff, rule.comparison, fact.sex, fact.age, outcome.differs,
        fact.yes_no, fact.analysed_on,
    )  # fmt: skip


def _report(sample_ids: Sequence[int]) -> None:
    moved = make_moves(
        ledger_of(Sample),
        "report",
        source="SELECT unnest(%(ids)s::bigint[]) AS id",
        params={"ids": list(sample_ids)},
    )
    if moved != len(set(sample_ids)):
        raise IllegalMove("sample_moved", _("A sample changed meanwhile. Look at the list again."))


def candidate_for(sample: Sample) -> Candidate:
    """One sample as it stands on the release list; raises IllegalMove when it is not there."""
    found = candidates([sample.pk])
    if not found:
        raise IllegalMove(
            "not_ready_to_release", _("This sample is not ready to be released. Look at the list again.")
        )
    return found[0]


def result_release_at_or_above(*, by: User, sample: Sample, reason: str = "") -> Result:
    """Release one result at or above with its referral and its round's follow-up, in one transaction.

    A reading whose class a person must decide needs a `reason`. Nobody releases what they typed in themselves.
    """
    require_role(by, Role.LABORATORY)
    with acting(by, reason=reason) as frame:
        _lock([sample.pk], 1)
        candidate = candidate_for(sample)
        _not_by_the_typist(candidate, by)
        if candidate.side is Side.BELOW:
            raise RoundbookError(
                "side_is_below", _("This reading is below the cutoff; it cannot be released as at or above.")
            )
        if candidate.side is Side.NEEDS_PERSON and candidate.fact.yes_no:
            raise RoundbookError("number_needed", str(candidate.classed.outcome.reason.sentence))
        if candidate.side is Side.NEEDS_PERSON and not reason.strip():
            raise RoundbookError(
                "reason_missing", _("A person decides here: write why it counts as at or above.")
            )
        return _release_high(candidate, by=by, frame=frame, reason=reason.strip())


def _release_high(candidate: Candidate, *, by: User, frame: Acting, reason: str) -> Result:
    fact = candidate.fact
    standing = Result.objects.filter(round_id=fact.round_id, is_deciding=True).first()
    decides = standing is None or standing.side == Side.BELOW.value
    if standing is not None and decides:
        Result.objects.filter(pk=standing.pk).update(is_deciding=False)
    _write([candidate], Side.AT_OR_ABOVE, by=by, frame=frame, reason=reason, deciding=decides)
    _report([fact.sample_id])
    result = Result.objects.get(sample_id=fact.sample_id, is_current=True)
    referral = referral_open_for(by=by, result=result)
    round_raise(
        by=by, round_id=fact.round_id, person_id=fact.person_id, due_on=referral.due_on or frame.today
    )
    return result


def round_raise(*, by: User, round_id: int, person_id: int, due_on: object) -> None:
    """Put the round into follow-up; a newer round of the person that is still open is superseded (R7)."""
    with acting(by) as frame:
        others = Round.objects.filter(person_id=person_id).exclude(pk=round_id).exclude(state="closed")
        newer = list(others.values_list("pk", "state"))
        rounds_close(
            by=by,
            round_ids=[pk for pk, state in newer if state != "follow_up"],
            reason="superseded",
            rule="R7",
        )
        if not any(state == "follow_up" for _pk, state in newer):
            due = due_on if isinstance(due_on, type(frame.today)) else frame.today + timedelta(days=1)
            rounds_reported_at_or_above(by=by, round_ids=[round_id], due_on=due)


def result_release_below(*, by: User, sample: Sample, reason: str, clinician: User | None = None) -> Result:
    """Release one result below that the bulk release left to a person, with the reason why it may go.

    Never while another valid reading of the round is at or above (R5). An earlier result at or above that was not
    followed to its end needs a clinician's name (I30).
    """
    require_role(by, Role.LABORATORY)
    if not reason.strip():
        raise RoundbookError("reason_missing", _("Write why this result may be released."))
    with acting(by, reason=reason.strip()) as frame:
        _lock([sample.pk], 1)
        candidate = candidate_for(sample)
        _not_by_the_typist(candidate, by)
        _may_be_below(candidate, clinician)
        words = (
            _("%(reason)s (clinician: %(who)s)") % {"reason": reason.strip(), "who": clinician}
            if clinician
            else reason
        )
        _write([candidate], Side.BELOW, by=by, frame=frame, reason=words.strip())
        _report([candidate.fact.sample_id])
        rounds_reported_below(by=by, rows=[(candidate.fact.round_id, frame.today)])
    return Result.objects.get(sample=sample, is_current=True)


def _may_be_below(candidate: Candidate, clinician: User | None) -> None:
    final = [one for one in candidate.obstacles if one.final]
    if final:
        raise RoundbookError(final[0].code, final[0].sentence)
    if candidate.side is Side.AT_OR_ABOVE:
        raise RoundbookError(
            "side_is_at_or_above", _("This reading is at or above the cutoff; release it as such.")
        )
    if any(one.code == "earlier_result_open" for one in candidate.obstacles):
        if clinician is None:
            raise RoundbookError(
                "clinician_missing",
                _("An earlier result at or above is open: name the clinician who looked at both."),
            )
        require_role(clinician, Role.CLINICIAN)


def _not_by_the_typist(candidate: Candidate, by: User) -> None:
    """A reading without a file was typed by hand; whoever closed or filled that run does not release it.

    In a clinic of one desk the person who typed a reading below twice, half an hour apart, may (R14).
    """
    if candidate.fact.file_id is None:
        if candidate.side is Side.BELOW and typed_alone(Sample(pk=candidate.fact.sample_id), by):
            return
        if by.pk in typists_of(Sample(pk=candidate.fact.sample_id)):
            raise NotAllowed("typed_by_yourself", _("You typed this reading; somebody else must release it."))
        typed_by = (
            Sample.objects.get(pk=candidate.fact.sample_id)
            .moves.filter(event="measure")
            .order_by("-seq")
            .first()
        )
        if typed_by is not None and typed_by.actor_id == by.pk:
            raise NotAllowed("typed_by_yourself", _("You typed this reading; somebody else must release it."))


def sample_not_needed(*, by: User, sample: Sample, reason: str) -> Sample:
    """Make no result of a reading below: another result at or above of its round stands, or the desk rejected its kit.

    A rejected one is replaced unless another kit of the round can be used or has its result.
    """
    require_role(by, Role.LABORATORY)
    if not reason.strip():
        raise RoundbookError("reason_missing", _("Write why no result is made of this reading."))
    with acting(by, reason=reason.strip()) as frame:
        _lock([sample.pk], 1)
        candidate = candidate_for(sample)
        stands = Result.objects.filter(
            round_id=candidate.fact.round_id, is_current=True, side=Side.AT_OR_ABOVE.value
        ).exists()
        rejected = candidate.fact.return_state != "ready"
        if candidate.old_below:
            _old_below_replaced([candidate], by=by, frame=frame)
            return sample
        if candidate.side is not Side.BELOW or not (stands or rejected):
            raise RoundbookError(
                "result_needed",
                _("No released result at or above stands for this round, so this one must be decided."),
            )
        why = "desk_rejected" if rejected else "other_reading_stands"
        make_move(sample, "hold", due_on=frame.today, owner=by, reason=why, note=reason.strip())
        make_move(sample, "spoil", reason=why, note=reason.strip(), rule="R5")
        rounds_without_usable_kit(by=by, sample_ids=[sample.pk])
    return sample


def sample_retest(*, by: User, sample: Sample, reason: str) -> Sample:
    """Send a sample on the release list back to the bench; an earlier valid reading at or above stands all the same."""
    require_role(by, Role.LABORATORY)
    if not reason.strip():
        raise RoundbookError("reason_missing", _("Write why it is measured again."))
    with acting(by, reason=reason.strip()) as frame:
        make_move(
            sample, "retest", due_on=frame.today + timedelta(days=1), pool="laboratory", note=reason.strip()
        )
    return sample
