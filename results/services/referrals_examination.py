"""From assessment to histology: what has to be known before, at and after an examination."""

from collections.abc import Mapping
from datetime import date, time, timedelta

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.follow_up_rules import (
    BOOK_WORKING_DAYS,
    CLASSIFY_WORKING_DAYS,
    MISSED_CALL_WORKING_DAYS,
    REPEAT_DAYS,
    REPEAT_WITHIN_DAYS,
    REQUEST_CHASE_WORKING_DAYS,
    DateRule,
    ExaminationFacts,
    assessment_gaps,
    examination_problems,
    needs_another_examination,
)
from results.models import Assessment, Booking, Examination, Referral
from results.services.referrals_frame import Work, referral_work
from staff.errors import IllegalMove, RoundbookError
from staff.models import Site, User
from staff.roles import Role

CANCELLED = {"cancelled_person", "cancelled_site"}


def assessment_record(
    *, by: User, referral: Referral, outcome: str, answers: Mapping[str, bool | None], plan: str = "",
    seen: int | None = None,
) -> Assessment:  # fmt: skip
    """Record a complete assessment and let the examination be booked.

    `answers`: anticoagulants, diabetes, kidney_disease, interpreter, escort. What is unanswered or unplanned is named
    (code `assessment_incomplete`), and nothing can be booked until it is there (H41–H43).
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        gaps = assessment_gaps(answers, outcome, plan)
        if gaps:
            raise RoundbookError(
                "assessment_incomplete",
                _("Not recorded: %(gaps)s") % {"gaps": " ".join(str(gap) for gap in gaps)},
                gaps=gaps,
            )
        first = work.allows("assessed")
        if not first and work.referral.state not in {"to_book", "requested", "booked", "repeat_planned"}:
            work.demand("assessed")
        made = Assessment.objects.create(
            referral=work.referral, outcome=outcome, plan=plan, made_on=work.today, made_by=by,
            **{key: bool(value) for key, value in answers.items()},
        )  # fmt: skip
        if first:
            work.move("assessed", due_on=work.working(BOOK_WORKING_DAYS), rule=DateRule.BOOK, reason=outcome)
        else:
            due = work.referral.due_on or work.today
            work.move("reschedule", due_on=due, rule=DateRule.BOOK, reason="assessed_again", note=plan)
    return made


def _assessed(work: Work) -> None:
    if not Assessment.objects.filter(referral=work.referral).exists():
        raise RoundbookError(
            "assessment_missing",
            _("Nothing can be booked before the assessment is recorded. Assess the person first."),
        )


def _unit(site: Site) -> None:
    if not site.does_colonoscopy:
        raise RoundbookError(
            "not_a_unit", _("%(site)s does no examinations. Choose another site.") % {"site": site.name}
        )


def examination_request(
    *, by: User, referral: Referral, site: Site, note: str = "", seen: int | None = None
) -> None:
    """Ask a site for a date (R17, the site books); chased when no answer comes within 3 working days."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        _unit(site)
        work.demand("request")
        _assessed(work)
        words = f"{site.name}. {note}".strip() if note else site.name
        work.move(
            "request",
            due_on=work.working(REQUEST_CHASE_WORKING_DAYS),
            rule=DateRule.REQUEST,
            reason=site.code,
            note=words,
        )


def booking_make(
    *, by: User, referral: Referral, site: Site, day: date, time: time, note: str = "", seen: int | None = None
) -> Booking:  # fmt: skip
    """Write down the site, day and time of the examination, on or after today."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        _unit(site)
        if day < work.today:
            raise RoundbookError(
                "day_in_the_past", _("The day lies in the past. Choose today or a later day.")
            )
        work.demand("book")
        _assessed(work)
        made = Booking.objects.create(
            referral=work.referral, site=site, day=day, time=time, made_by=by, made_on=work.today
        )
        late = (day - work.referral.opened_on).days > work.policy.examination_days
        words = f"{site.name}, {date_format(day, 'j M Y')}, {time:%H:%M}. {note}".strip()
        work.move("book", due_on=day, rule=DateRule.BOOKED, reason="past_promise" if late else "", note=words)
    return made


def booking_outcome(
    *, by: User, booking: Booking, outcome: str, note: str = "", seen: int | None = None
) -> None:
    """Whether the person attended, did not, or either side cancelled; never closes anything (H20)."""
    with referral_work(by=by, referral=booking.referral, seen=seen) as work:
        locked = Booking.objects.select_for_update().get(pk=booking.pk)
        if locked.status != Booking.Status.BOOKED:
            raise IllegalMove(
                "booking_settled",
                _("This booking already reads “%(status)s”. Look at the page again.")
                % {"status": locked.get_status_display()},
            )
        if outcome not in {"attended", "missed", *CANCELLED}:
            raise RoundbookError("unknown_outcome", _("Choose what happened from the list."))
        if outcome in {"attended", "missed"} and locked.day > work.today:
            raise RoundbookError("day_not_come", _("The day of this booking has not come yet."))
        booking.status = outcome
        booking.save(update_fields=["status"])
        if outcome == "attended":
            work.demand("examined")
            due = work.working(0, after=max(locked.day + timedelta(days=work.policy.report_days), work.today))
            work.move("examined", due_on=due, rule=DateRule.REPORT, note=note)
        elif outcome == "missed":
            work.move(
                "unbook",
                due_on=work.working(MISSED_CALL_WORKING_DAYS),
                rule=DateRule.MISSED,
                reason=outcome,
                note=note,
            )
        else:
            work.move("unbook", due_on=work.working(1), rule=DateRule.CANCELLED, reason=outcome, note=note)


def examination_record(
    *, by: User, referral: Referral, day: date, complete: bool, prep_adequate: bool, finding: str, report_document: str,
    specimens: int = 0, kind: str = Examination.Kind.COLONOSCOPY, site: Site | None = None, seen: int | None = None,
) -> Examination:  # fmt: skip
    """Enter an examination report: to histology, to the next step, or (nothing can be concluded) to another one (H21)."""
    facts = ExaminationFacts(day, complete, prep_adequate, specimens, finding)
    with referral_work(by=by, referral=referral, seen=seen) as work:
        problems = examination_problems(facts, today=work.today)
        if not report_document.strip():
            problems.append(_("Name the report: its number or file."))
        if problems:
            raise RoundbookError("report_refused", " ".join(str(one) for one in problems), problems=problems)
        work.demand("report")
        booking = _booking_of_report(work, day)
        made = Examination.objects.create(
            referral=work.referral, booking=booking, kind=kind, site=site or (booking.site if booking else None), day=day,
            complete=complete, prep_adequate=prep_adequate, specimens=specimens, finding=finding,
            report_document=report_document, reported_on=work.today, entered_by=by,
        )  # fmt: skip
        _after_report(work, facts)
    return made


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
    *, by: User, referral: Referral, histology: str, finding: str = "", document: str = "", seen: int | None = None
) -> None:  # fmt: skip
    """All histology is in, in words; `finding` is the most serious finding with it. Leads to the next step."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if not histology.strip():
            raise RoundbookError(
                "histology_missing", _("Write what the histology says, or copy its conclusion.")
            )
        work.demand("histology")
        last = last_examination(work.referral)
        words = f"{histology} ({document})" if document else histology
        found = finding or (last.finding if last else "")
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
