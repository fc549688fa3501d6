"""The report of an examination, its lesions, histology and amendments, and another examination where one is needed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import F, OuterRef, QuerySet, Subquery
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.findings import boston_adequate, classify
from results.follow_up_rules import (
    CLASSIFY_WORKING_DAYS,
    REPEAT_DAYS,
    REPEAT_WITHIN_DAYS,
    DateRule,
    ExaminationFacts,
    examination_problems,
    needs_another_examination,
)
from results.models import Booking, Examination, FindingComputed, Histology, NextStep, Referral
from results.services.findings import (
    HistologyEntry,
    LesionEntry,
    finding_compute,
    finding_standing,
    histology_told,
    histology_write,
    lesions_check,
    lesions_write,
)
from results.services.referrals_frame import Work, referral_work
from results.services.referrals_rounds import round_taken_up
from results.surveillance import Course
from screening.models import Person
from staff.access import user_holds
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from staff.models import Site, User
from staff.roles import Pool, Role


@dataclass(frozen=True, slots=True)
class Quality:
    """How good an examination was: Boston scores of the right, transverse and left colon, its other measures, and whose it was."""

    boston: tuple[int, int, int] | None = None
    caecum_proof: str = ""
    withdrawal_minutes: int | None = None
    comfort: str = ""
    at_once: str = ""
    examiner: str = ""

    def columns(self) -> dict[str, Any]:
        """As the table keeps them."""
        right, transverse, left = self.boston or (None, None, None)
        return {
            "boston_right": right, "boston_transverse": transverse, "boston_left": left, "caecum_proof": self.caecum_proof,
            "withdrawal_minutes": self.withdrawal_minutes, "comfort": self.comfort, "at_once": self.at_once,
            "examiner": " ".join(self.examiner.split()),
        }  # fmt: skip


def examination_record(
    *, by: User, referral: Referral, day: date, complete: bool, prep_adequate: bool | None = None, finding: str = "",
    report_document: str, specimens: int = 0, kind: str = Examination.Kind.COLONOSCOPY, site: Site | None = None,
    quality: Quality | None = None, lesions: Sequence[LesionEntry] = (), sizes_confirmed: bool = False,
    seen: int | None = None,
) -> Examination:  # fmt: skip
    """Enter an examination report: to histology, to the next step, or (nothing can be concluded) to another one (H21).

    With Boston scores the preparation is what they say. With lesions the finding is what they amount to, and `specimens`
    counts the pots, which must fit them (H23). Without lesions (a report of which only the least is typed) `finding` counts.
    """
    quality = quality or Quality()
    with referral_work(by=by, referral=referral, seen=seen) as work:
        seen_lesions = lesions_check(lesions, specimens, sizes_confirmed=sizes_confirmed) if lesions else []
        adequate = _preparation(quality, prep_adequate)
        classed = classify(
            seen_lesions,
            conclusive=complete and adequate,
            seen=finding,
            villous_counts=work.policy.villous_counts,
        )
        facts = ExaminationFacts(
            day, complete, adequate, specimens, classed.finding if lesions or not finding else finding
        )
        problems = examination_problems(facts, today=work.today)
        if not report_document.strip():
            problems.append(_("Name the report: its number or file."))
        if problems:
            raise RoundbookError("report_refused", " ".join(str(one) for one in problems), problems=problems)
        work.demand("report")
        booking = _booking_of_report(work, day)
        made = Examination.objects.create(
            referral=work.referral, booking=booking, kind=kind, site=site or (booking.site if booking else None), day=day,
            complete=complete, prep_adequate=adequate, specimens=specimens, finding=facts.finding,
            report_document=report_document, reported_on=work.today, entered_by=by, **quality.columns(),
        )  # fmt: skip
        lesions_write(made, lesions)
        finding_compute(work)
        _after_report(work, facts)
    return made


def _preparation(quality: Quality, said: bool | None) -> bool:
    """Whether the preparation was adequate; the scores decide, and a report that contradicts itself is refused."""
    if quality.boston is None:
        if said is None:
            raise RoundbookError(
                "preparation_missing",
                _("Say whether the bowel preparation was adequate, or give its scores."),
            )
        return said
    try:
        scored = boston_adequate(*quality.boston)
    except ValueError as error:
        raise RoundbookError(
            "scores_out_of_range", _("Boston scores run from 0 to 3 in each of the three segments.")
        ) from error
    if said is not None and said is not scored:
        raise RoundbookError(
            "preparation_contradicts",
            _(
                "The scores and the answer about the preparation contradict each other. Read the report again."
            ),
        )
    return scored


def _booking_of_report(work: Work, day: date) -> Booking | None:
    """The booking this report belongs to; one still waiting is thereby attended."""
    booking = (
        work.referral.bookings.select_related("site")
        .filter(status__in=["booked", "attended"], examination__isnull=True)
        .order_by("-day", "-pk")
        .first()
    )
    if booking is None or work.referral.state == "elsewhere":
        return None
    if booking.status == Booking.Status.BOOKED:
        if day < booking.day:
            raise RoundbookError(
                "before_the_booking",
                _(
                    "The booking is for %(day)s, after this report. Cancel the booking first, or check the day."
                )
                % {"day": date_format(booking.day)},
            )
        booking.status = Booking.Status.ATTENDED
        booking.save(update_fields=["status"])
    return booking


def _after_report(work: Work, facts: ExaminationFacts) -> None:
    if facts.specimens:
        due = max(work.working(work.policy.histology_working_days, after=facts.day), work.working(1))
        work.move("report_specimen", due_on=due, rule=DateRule.HISTOLOGY, reason=facts.finding)
        return
    work.move(
        "report", due_on=work.working(CLASSIFY_WORKING_DAYS), rule=DateRule.CLASSIFY, reason=facts.finding
    )
    _repeat_if_inconclusive(work, facts)


def _repeat_if_inconclusive(work: Work, facts: ExaminationFacts) -> None:
    if needs_another_examination(facts):
        by_day = facts.day + timedelta(days=REPEAT_WITHIN_DAYS)
        work.move(
            "repeat", due_on=work.working(CLASSIFY_WORKING_DAYS), rule=DateRule.REPEAT_INCOMPLETE, reason="incomplete",
            note=str(_("Another examination by %(day)s.") % {"day": date_format(by_day)}),
        )  # fmt: skip


def histology_record(
    *, by: User, referral: Referral, histology: str = "", finding: str = "", document: str = "",
    lesions: Mapping[int, HistologyEntry] | None = None, seen: int | None = None,
) -> None:  # fmt: skip
    """All histology is in, in words; `finding` is the most serious finding with it. Leads to the next step.

    Where lesions were typed, `lesions` holds what pathology says of each by its id; while one is missing the referral goes
    on waiting, and the finding is what all lesions amount to.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if not histology.strip() and not lesions:
            raise RoundbookError(
                "histology_missing", _("Write what the histology says, or copy its conclusion.")
            )
        work.demand("histology")
        last = last_examination(work.referral)
        if lesions:
            histology_write(work, lesions, document)
        computed = finding_compute(work, told=finding)
        if computed.provisional:
            due = work.referral.due_on or work.today
            work.move(
                "reschedule", due_on=due, rule=DateRule.HISTOLOGY, reason="histology_in_part", note=document
            )
            return
        told = f"{histology} ({document})" if document else histology
        words = told if histology else histology_told(work.referral)
        found = computed.finding if computed.course != Course.LESIONS_MISSING else finding or computed.finding
        work.move(
            "histology",
            due_on=work.working(CLASSIFY_WORKING_DAYS),
            rule=DateRule.CLASSIFY,
            reason=found,
            note=words,
        )
        if last is not None:
            facts = examination_facts(last)
            _repeat_if_inconclusive(
                work, ExaminationFacts(last.day, facts.complete, facts.prep_adequate, 0, found)
            )


def histology_amend(
    *, by: User, referral: Referral, lesions: Mapping[int, HistologyEntry], document: str, seen: int | None = None
) -> FindingComputed:  # fmt: skip
    """Pathology corrected its report: another version of these lesions' histology, and the class computed again.

    Where class or proposal changed after all histology was in, the next step is to be decided anew: a closed referral
    opens again at the clinicians', and what was signed before no longer counts. RoundbookError for a lesion that has no
    histology yet.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if Histology.objects.filter(lesion__in=lesions).values("lesion").distinct().count() != len(lesions):
            raise RoundbookError(
                "nothing_to_amend", _("One of these lesions has no histology yet. Enter it as new.")
            )
        before = finding_standing(work.referral)
        histology_write(work, lesions, document)
        now = finding_compute(work)
        if before is not None and before.pk != now.pk and work.allows("reclassify"):
            _decide_anew(work, document)
    return now


def _decide_anew(work: Work, document: str) -> None:
    """The next step has to be signed again; of somebody who died it is only recorded.

    Beside another open referral of the person the closed one stays closed, because only one may be open: the open one
    goes to the clinicians, who decide on both. If that one ends without a signed next step, this one opens again then.
    """
    closed = work.referral.state == "closed"
    if closed and Person.objects.filter(pk=work.referral.person_id, deceased_on__isnull=False).exists():
        return
    other = Referral.objects.filter(person_id=work.referral.person_id).exclude(state="closed").first()
    if closed and other is not None:
        _other_told(work, other, document)
        return
    reclassified(work, work.referral, document)
    if closed:
        round_taken_up(work)


def reclassified(work: Work, referral: Referral, document: str) -> None:
    """A referral, closed or not, is to be decided anew by the clinicians, on the next working day."""
    make_move(
        referral, "reclassify", due_on=work.working(1), rule=DateRule.CLASSIFY, reason="pathology_amended",
        note=document, pool=Pool.CLINICIANS,
    )  # fmt: skip


def _other_told(work: Work, other: Referral, document: str) -> None:
    """The person's open referral is due at a clinician's on the next working day, whatever it waited for."""
    due = work.working(1)
    keeps = other.owner is not None and user_holds(other.owner, [Role.CLINICIAN])
    hands: dict[str, Any] = {"owner": other.owner} if keeps else {"pool": Pool.CLINICIANS}
    make_move(
        other, "reschedule", due_on=min(due, other.due_on or due), rule=DateRule.EARLIER_AMENDED, reason="earlier_amended",
        note=document, **hands,
    )  # fmt: skip


def amended_since_signed(person_id: int) -> QuerySet[Referral]:
    """Closed referrals of a person whose class or proposal was computed anew after their next step was signed."""
    newest = FindingComputed.objects.filter(referral=OuterRef("pk")).order_by("-pk").values("pk")[:1]
    signed = NextStep.objects.filter(referral=OuterRef("pk")).order_by("-pk").values("computed")[:1]
    found = Referral.objects.filter(person_id=person_id, state="closed", close_reason="next_step_signed")
    found = found.annotate(newest=Subquery(newest), rests_on=Subquery(signed))
    return (
        found.filter(newest__isnull=False, rests_on__isnull=False)
        .exclude(newest=F("rests_on"))
        .order_by("pk")
    )


def amended_before_decided(work: Work) -> None:
    """An open referral ended without a signed next step: the latest amended one of the person is decided now."""
    found = amended_since_signed(work.referral.person_id)
    # Whoever amends one of them at this moment tells the open referral itself: no waiting for each other.
    waiting = list(found.select_for_update(no_key=True, of=("self",), skip_locked=True))
    told = work.referral.moves.filter(reason="earlier_amended").exists()
    if waiting and told:
        reclassified(work, waiting[-1], "")
        round_taken_up(Work(work.frame, waiting[-1]))


def last_examination(referral: Referral) -> Examination | None:
    """The latest examination of a referral."""
    return referral.examinations.order_by("-day", "-pk").first()


def examination_facts(examination: Examination) -> ExaminationFacts:
    """An examination as the pure rules read it."""
    return ExaminationFacts(
        examination.day,
        examination.complete,
        examination.prep_adequate,
        examination.specimens,
        examination.finding,
    )


def repeat_plan(*, by: User, referral: Referral, on: date, note: str, seen: int | None = None) -> None:
    """A clinician plans another examination for a day at most 12 months ahead; the referral stays live (R9)."""
    with referral_work(by=by, referral=referral, seen=seen, roles=(Role.CLINICIAN,)) as work:
        if not work.today < on <= work.today + timedelta(days=REPEAT_DAYS):
            raise RoundbookError(
                "date_out_of_reach", _("Choose a day after today and at most 12 months ahead.")
            )
        if not note.strip():
            raise RoundbookError("note_missing", _("Write why another examination is needed."))
        work.demand("repeat")
        work.move("repeat", due_on=on, rule=DateRule.REPEAT, reason="planned", note=note)
