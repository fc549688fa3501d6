"""The assessment before an examination: recorded with its outcome, briefly re-checked when it is old, and the booking gate."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.utils.translation import gettext_lazy as _

from results.assessment_rules import BOOKABLE, QUESTIONS, AssessmentFacts, Block, booking_blocks, record_gaps
from results.follow_up_rules import BOOK_WORKING_DAYS, DateRule, pause_problem
from results.models import Assessment, Referral
from results.services.referrals_attendance import booking_let_go
from results.services.referrals_frame import Work, referral_work
from staff.access import require_role, user_holds
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Pool, Role

ASSESSABLE = ("to_book", "requested", "booked", "repeat_planned")
"""States, beside those from which an assessment leads on, in which a person may be assessed again."""


@dataclass(frozen=True)
class Words:
    """What is written in an assessment beside its answers."""

    plan: str = ""
    medicine_plan: str = ""
    interpreted_by: str = ""
    preparation: str = ""


def facts_of(made: Assessment | None) -> AssessmentFacts | None:
    """A stored assessment as the rules read it."""
    if made is None:
        return None
    return AssessmentFacts(
        outcome=made.outcome, answers={key: getattr(made, key) for key in QUESTIONS}, plan=made.plan,
        medicine_plan=made.medicine_plan, interpreted_by=made.interpreted_by,
        preparation=made.preparation, until=made.until, made_on=made.made_on,
    )  # fmt: skip


def latest_assessment(referral: Referral) -> Assessment | None:
    """The assessment that counts: the last one made."""
    return referral.assessments.order_by("-pk").first()


def assessment_blocks(referral: Referral, *, today: date) -> list[Block]:
    """Why nothing may be booked for this referral today."""
    return booking_blocks(facts_of(latest_assessment(referral)), today=today)


def demand_bookable(work: Work) -> None:
    """Refuse to ask for or book an examination while anything is missing (H41, H42, H43)."""
    blocks = assessment_blocks(work.referral, today=work.today)
    if blocks:
        raise RoundbookError(
            "assessment_missing" if blocks[0].code == "assessment_missing" else "booking_blocked",
            _("Nothing is booked yet. %(blocks)s")
            % {"blocks": " ".join(str(one.sentence) for one in blocks)},
            blocks=[one.code for one in blocks],
            hazards=sorted({one.hazard for one in blocks if one.hazard}),
        )


def assessment_record(
    *, by: User, referral: Referral, outcome: str, answers: Mapping[str, bool | None], plan: str = "",
    medicine_plan: str = "", interpreted_by: str = "", preparation: str = "", until: date | None = None,
    seen: int | None = None,
) -> Assessment:  # fmt: skip
    """Record an assessment and go where its outcome leads; nothing here closes a referral.

    `answers`: the keys of `QUESTIONS`. What is unanswered, unplanned or contradictory is named (code
    `assessment_incomplete`), and nothing can be booked until it is there (H41, H42, H43).
    """
    words = Words(plan, medicine_plan, interpreted_by, preparation)
    with referral_work(by=by, referral=referral, seen=seen) as work:
        _assessable(work)
        _outcome_checked(work, outcome, answers, words, until)
        made = _made(work, outcome, {key: answers.get(key) for key in QUESTIONS}, words, until=until)
        _led_on(work, outcome, plan, until)
    return made


def _assessable(work: Work) -> None:
    if work.referral.state not in ASSESSABLE:
        work.demand("assessed")


def _outcome_checked(
    work: Work, outcome: str, answers: Mapping[str, bool | None], words: Words, until: date | None
) -> None:
    if outcome not in Assessment.Outcome.values:
        raise RoundbookError("unknown_outcome", _("Choose an outcome from the list."))
    if outcome == "unfit_until":
        require_role(work.by, Role.CLINICIAN)
    facts = AssessmentFacts(
        outcome, answers, words.plan, words.medicine_plan, words.interpreted_by, words.preparation, until
    )
    gaps = record_gaps(facts, today=work.today)
    if gaps:
        raise RoundbookError(
            "assessment_incomplete",
            _("Not recorded: %(gaps)s") % {"gaps": " ".join(str(gap.sentence) for gap in gaps)},
            gaps=[gap.code for gap in gaps],
            hazards=sorted({gap.hazard for gap in gaps if gap.hazard}),
        )
    problem = pause_problem(until=until, today=work.today, clinical=True) if until else None
    if outcome == "unfit_until" and problem:
        raise RoundbookError("pause_too_long", problem)


def _made(
    work: Work, outcome: str, answers: Mapping[str, bool | None], words: Words, *, until: date | None = None,
    recheck_of: Assessment | None = None,
) -> Assessment:  # fmt: skip
    return Assessment.objects.create(
        referral=work.referral, outcome=outcome, **answers, plan=words.plan, medicine_plan=words.medicine_plan,
        interpreted_by=words.interpreted_by, preparation=words.preparation,
        until=until if outcome == "unfit_until" else None, recheck_of=recheck_of, made_on=work.today, made_by=work.by,
    )  # fmt: skip


def _led_on(work: Work, outcome: str, plan: str, until: date | None) -> None:
    """Where each outcome leads."""
    if outcome in BOOKABLE and work.allows("assessed"):
        work.move("assessed", due_on=work.working(BOOK_WORKING_DAYS), rule=DateRule.BOOK, reason=outcome)
    elif outcome in BOOKABLE:
        _stay(work, reason="assessed_again", note=plan)
    elif outcome == "unfit_until":
        work.demand("pause")
        booking_let_go(work, status="cancelled_site")
        work.move("pause", due_on=until or work.today, rule=DateRule.PAUSE, reason="unfit", note=plan)
    elif outcome == "declines":
        event = "undecided" if work.allows("undecided") else "reschedule"
        work.move(
            event, due_on=work.working(1), rule=DateRule.DECLINES, reason="declines", note=plan,
            hands=_to_clinicians(work),
        )  # fmt: skip
    else:
        work.move(
            "reschedule", due_on=work.working(1), rule=DateRule.DOCTOR, reason=outcome, note=plan,
            hands=_to_clinicians(work),
        )  # fmt: skip


def _stay(work: Work, *, reason: str, note: str) -> None:
    """Neither state nor date change."""
    last = work.referral.moves.order_by("-seq").values_list("rule", flat=True).first() or ""
    due = work.referral.due_on or work.today
    rule = DateRule.BOOK if last == DateRule.DOCTOR else last
    work.move("reschedule", due_on=due, due_time=work.referral.due_time, rule=rule, reason=reason, note=note)


def _to_clinicians(work: Work) -> dict[str, Any] | None:
    """The clinicians' pool, unless a clinician holds the referral already."""
    owner = work.referral.owner
    return None if owner is not None and user_holds(owner, [Role.CLINICIAN]) else {"pool": Pool.CLINICIANS}


def assessment_recheck(
    *, by: User, referral: Referral, changed: bool, interpreted_by: str = "", note: str = "", seen: int | None = None
) -> Assessment:  # fmt: skip
    """Ask briefly whether anything has changed; if nothing has, the assessment holds for another eight weeks.

    Also the place to write who interprets once somebody is found. If anything changed, a new assessment is made.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if work.referral.state not in ASSESSABLE:
            work.demand("assessed")
        last = latest_assessment(work.referral)
        if last is None or last.outcome not in BOOKABLE:
            raise IllegalMove(
                "nothing_to_recheck", _("There is no assessment to look at again. Assess the person first.")
            )
        if changed:
            raise RoundbookError("assess_anew", _("Something has changed: assess the person anew, below."))
        if any(block.code == "unanswered" for block in assessment_blocks(work.referral, today=work.today)):
            raise RoundbookError(
                "assess_anew",
                _("That assessment asked fewer questions than today's. Assess the person anew."),
            )
        words = Words(
            last.plan, last.medicine_plan, interpreted_by.strip() or last.interpreted_by, last.preparation
        )
        answers = {key: getattr(last, key) for key in QUESTIONS}
        made = _made(work, last.outcome, answers, words, recheck_of=last)
        _stay(work, reason="rechecked", note=note)
    return made
