"""The written end: the signed next step, closing with evidence, and opening again."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Q, QuerySet
from django.utils.translation import gettext_lazy as _

from results.closing import DEMANDS, ClosingFacts, DueFacts, Evidence, Gap, closing_gaps, next_due_after
from results.follow_up_rules import DateRule, next_step_problems
from results.models import (
    ClosingEvidence,
    ContactAttempt,
    FindingComputed,
    NextStep,
    Referral,
    ReferralMove,
    Result,
    Side,
)
from results.services.findings import finding_standing, histology_told
from results.services.re_offers import re_offers_begin, re_offers_settle
from results.services.referrals_attendance import booking_let_go
from results.services.referrals_contact import LADDER, ladder_attempts
from results.services.referrals_frame import Work, referral_work
from results.services.referrals_report import (
    amended_before_decided,
    examination_facts,
    last_examination,
)
from results.services.referrals_rounds import LEFT_OUT, plan_left, round_taken_up
from results.signing import Computed, departures, signing_problems
from results.surveillance import Course
from screening.models import Exclusion, ExclusionKind, Person, Round
from screening.months import add_months
from screening.services.due import due_dates_refresh
from screening.services.policies import policy_on
from screening.services.rounds import round_follow_up_concluded
from staff.access import user_holds
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool, Role

SIGNED_IN = ("to_classify", "repeat_planned")
PROPOSED = "close_proposed"
SIGNED = "signed"


def next_step_sign(
    *, by: User, referral: Referral, finding: str, step: str, words: str, histology: str = "", on: date | None = None,
    close: bool = False, deviation: str = "", seen: int | None = None,
) -> NextStep:  # fmt: skip
    """A clinician signs the next step, the only thing that sets the next date after an examination (R9).

    Back to screening without a day means one interval from the last examination. With `close` the referral is closed
    in the same transaction. A step that differs from what was computed needs `deviation`, the reason (2.17).
    """
    with referral_work(by=by, referral=referral, seen=seen, roles=(Role.CLINICIAN,)) as work:
        if work.referral.state not in SIGNED_IN:
            raise IllegalMove(
                "not_to_classify",
                _("The next step is decided when all reports are in. This referral is not there yet."),
                state=work.referral.state,
            )
        last = last_examination(work.referral)
        histology = histology or histology_told(work.referral)
        if step == "screening" and on is None and last is not None:
            on = add_months(last.day, policy_on(work.today).interval_months)
        problems = next_step_problems(
            step=step, on=on, finding=finding, last=examination_facts(last) if last else None, histology=histology,
            today=work.today,
        )  # fmt: skip
        if not words.strip():
            problems.append(_("Write the next step in words, as the person and the doctor will read it."))
        standing = finding_standing(work.referral)
        computed = computed_for_signing(work, standing)
        problems += signing_problems(computed, step=step)
        differs = departures(computed, finding=finding, step=step, on=on)
        if differs and not deviation.strip():
            problems += [*differs, _("Write why, or follow the proposal.")]
        if problems:
            raise RoundbookError(
                "next_step_refused", " ".join(str(one) for one in problems), problems=problems
            )
        signed = NextStep.objects.create(
            referral=work.referral, finding=finding, histology=histology, step=step, words=words, signed_by=by,
            on=on if step in {"screening", "surveillance", "treatment"} else None, signed_on=work.today,
            computed=standing, deviation=deviation.strip() if differs else "",
        )  # fmt: skip
        if close:
            _close(work, reason="next_step_signed", signed=signed)
        else:
            work.move("reschedule", due_on=work.working(1), rule=DateRule.SIGNED, reason=SIGNED, note=words)
    return signed


def computed_for_signing(work: Work, standing: FindingComputed | None) -> Computed | None:
    """What stands computed, as the rules of signing read it."""
    if standing is None:
        return None
    low, high = standing.months_low, standing.months_high
    person = Person.objects.only("birth_date").get(pk=work.referral.person_id)
    return Computed(
        standing.finding, Course(standing.course), None if low is None or high is None else (low, high),
        standing.counted_from, person.birth_date, work.policy.surveillance_stop_age,
    )  # fmt: skip


def valid_next_step(referral: Referral) -> NextStep | None:
    """The latest signed next step, unless a report came in or the referral was opened again after it."""
    last = {"report": 0, "signed": 0}
    anew = ["report", "report_specimen", "reopen", "reclassify"]
    moves = referral.moves.filter(Q(event__in=anew) | Q(reason=SIGNED))
    for seq, reason in moves.values_list("seq", "reason"):
        key = "signed" if reason == SIGNED else "report"
        last[key] = max(last[key], seq)
    return referral.next_steps.order_by("-pk").first() if last["signed"] > last["report"] else None


@dataclass(frozen=True)
class Proposal:
    """Who proposed to close as could not be reached, and why."""

    by: User
    move: ReferralMove


def closing_proposal(referral: Referral) -> Proposal | None:
    """The standing proposal to close as could not be reached; any later move but a claim ends it."""
    for move in referral.moves.select_related("actor").order_by("-seq")[:10]:
        if move.reason == PROPOSED:
            return Proposal(by=move.actor, move=move)
        if move.event != "claim":
            return None
    return None


def closing_facts(
    referral: Referral, reason: str, *, by: User, note: str, document: str, agreed_by: User | None
) -> ClosingFacts:  # fmt: skip
    """What is known now about a referral that somebody wants to close; reads only what the reason asks about."""
    asked = DEMANDS.get(reason, ())
    talks = Evidence.SPOKE in asked or Evidence.ATTEMPTS in asked
    died = Person.objects.filter(pk=referral.person_id, deceased_on__isnull=False)
    from_plan = referral.origin == Referral.Origin.SURVEILLANCE
    attempts = list(referral.attempts.select_related("made_by")) if talks else []
    return ClosingFacts(
        closed_by=by.pk,
        agreed_by=agreed_by.pk if agreed_by else None,
        by_clinician=user_holds(by, [Role.CLINICIAN]),
        clinician_talked=Evidence.CLINICIAN_TALK in asked and _clinician_talked(attempts),
        next_step=Evidence.NEXT_STEP in asked and valid_next_step(referral) is not None,
        note=note,
        document=document,
        attempts=tuple(ladder_attempts(attempts)),
        deceased=Evidence.DEATH in asked and died.exists(),
        standing_results=1
        if from_plan or Evidence.WITHDRAWN not in asked
        else standing_results(referral).count(),
        from_plan=from_plan,
    )


def _clinician_talked(attempts: list[ContactAttempt]) -> bool:
    spoke = {one.made_by for one in attempts if one.outcome == ContactAttempt.Outcome.SPOKE}
    return any(user_holds(one, [Role.CLINICIAN]) for one in spoke)


def standing_results(referral: Referral) -> QuerySet[Result]:
    """The current results at or above that call for this referral."""
    return Result.objects.filter(referral_link__referral=referral, is_current=True, side=Side.AT_OR_ABOVE)


def closing_missing(referral: Referral, reason: str, facts: ClosingFacts, *, on: date) -> list[Gap]:
    """What is missing before this referral may be closed for this reason."""
    if reason not in DEMANDS:
        raise RoundbookError("unknown_close_reason", _("Choose a reason from the list."), reason=reason)
    return closing_gaps(reason, facts, on=on, ladder=LADDER)


def referral_close_propose(*, by: User, referral: Referral, note: str = "", seen: int | None = None) -> None:
    """Propose to close as could not be reached; another coordinator or clinician then closes it (R14)."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        work.demand("close")
        facts = closing_facts(work.referral, "not_reached", by=by, note=note, document="", agreed_by=None)
        gaps = closing_missing(work.referral, "not_reached", facts, on=work.today)
        missing = [gap for gap in gaps if gap.evidence is not Evidence.SECOND_PERSON]
        if missing:
            raise _evidence_missing("not_reached", missing)
        work.move(
            "reschedule", due_on=work.working(1), rule=DateRule.PROPOSED, reason=PROPOSED, note=note,
            hands={"pool": Pool.COORDINATORS},
        )  # fmt: skip


def _evidence_missing(reason: str, gaps: list[Gap]) -> RoundbookError:
    return RoundbookError(
        "evidence_missing",
        _("Not closed. %(gaps)s") % {"gaps": " ".join(str(gap.sentence) for gap in gaps)},
        reason=reason,
        evidence=[gap.evidence.value for gap in gaps],
    )


def referral_close(
    *, by: User, referral: Referral, reason: str, note: str = "", document: str = "", examined_on: date | None = None,
    refusal: str = "", seen: int | None = None,
) -> ClosingEvidence:  # fmt: skip
    """Close a referral on the evidence its reason demands (`results.closing`); refused with what is missing (H18).

    The second person of "could not be reached" is whoever proposed it with `referral_close_propose`. The round is
    concluded in the same transaction and the person gets the date this end gives.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        work.demand("close")
        needs_two = Evidence.SECOND_PERSON in DEMANDS.get(reason, ())
        proposal = closing_proposal(work.referral) if needs_two else None
        agreed = proposal.by if proposal else None
        facts = closing_facts(work.referral, reason, by=by, note=note, document=document, agreed_by=agreed)
        gaps = closing_missing(work.referral, reason, facts, on=work.today)
        if gaps:
            raise _evidence_missing(reason, gaps)
        signed = valid_next_step(work.referral) if reason == "next_step_signed" else None
        return _close(
            work, reason=reason, note=note, document=document, signed=signed, examined_on=examined_on,
            second_person=agreed, refusal=refusal if reason == "informed_refusal" else "",
        )  # fmt: skip


def _close(
    work: Work, *, reason: str, note: str = "", document: str = "", signed: NextStep | None = None,
    examined_on: date | None = None, second_person: User | None = None, refusal: str = "",
) -> ClosingEvidence:  # fmt: skip
    by, referral = work.by, work.referral
    evidence = ClosingEvidence.objects.create(
        referral=referral, reason=reason, document=document, note=note, next_step=signed,
        clinician=by if user_holds(by, [Role.CLINICIAN]) else None, second_person=second_person, closed_by=by,
        closed_on=work.today, refusal=refusal,
    )  # fmt: skip
    booking_let_go(work)
    re_offers_begin(work, evidence, referral.owner or by)
    make_move(referral, "close", reason=reason, note=note or (signed.words if signed else ""))
    kind = LEFT_OUT.get(signed.step if signed else reason)
    if kind is not None:
        _left_out(work, kind, note or (signed.words if signed else ""))
    if not _rounds_concluded(work, reason, signed, examined_on):
        due_dates_refresh(by=by, person_ids=[referral.person_id])
    if signed is None and reason != "died":
        amended_before_decided(work)
    return evidence


def _rounds_concluded(work: Work, reason: str, signed: NextStep | None, examined_on: date | None) -> int:
    """Close the rounds still in follow-up; the person is next due as this end says. Returns how many."""
    results = Result.objects.filter(referral_link__referral=work.referral)
    rounds = list(Round.objects.filter(pk__in=results.values("round_id"), state="follow_up"))
    plan = work.referral.plan
    if plan is not None:
        goes_on = signed is not None and signed.step == NextStep.Step.SURVEILLANCE
        rounds += plan_left(work, reason, goes_on=goes_on)
    if not rounds:
        return 0
    result_on = max([*results.values_list("authorised_on", flat=True), *([plan.signed_on] if plan else [])])
    facts = DueFacts(
        today=work.today, interval_months=policy_on(work.today).interval_months, result_on=result_on,
        examined_on=examined_on, signed_step=signed.step if signed else "", signed_on=signed.on if signed else None,
    )  # fmt: skip
    due = next_due_after(reason, facts)
    if plan is not None and due is not None:
        due = max(due, work.today)
    for round_ in {one.pk: one for one in rounds}.values():
        round_follow_up_concluded(by=work.by, round=round_, next_due_on=due, note=reason)
    return len(rounds)


def _left_out(work: Work, kind: ExclusionKind, note: str) -> None:
    """Keep the person from being invited meanwhile; a clinician has confirmed it by signing or closing."""
    standing: dict[str, Any] = {"person_id": work.referral.person_id, "kind": kind, "until__isnull": True}
    if not Exclusion.objects.filter(**standing).exists():
        Exclusion.objects.create(
            person_id=work.referral.person_id, kind=kind, since=work.today, confirmed=True, note=note
        )


def referral_reopen(*, by: User, referral: Referral, note: str, seen: int | None = None) -> None:
    """Open a closed referral again, on new contact or new facts; days since the result go on counting.

    Its round goes back into follow-up unless the person is in another round already.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        work.demand("reopen")
        if not note.strip():
            raise RoundbookError("note_missing", _("Write why the referral is opened again."))
        person = Person.objects.select_for_update(no_key=True).get(pk=work.referral.person_id)
        if person.deceased_on is not None:
            raise IllegalMove(
                "person_died", _("The register says this person has died. Have that corrected first.")
            )
        if Referral.objects.filter(person=person).exclude(state="closed").exists():
            raise IllegalMove("another_live", _("This person has another open referral. Work there."))
        due = work.working(1)
        work.move("reopen", due_on=due, rule=DateRule.REOPENED, note=note, hands={"pool": Pool.COORDINATORS})
        re_offers_settle(work, work.referral)
        round_taken_up(work)
