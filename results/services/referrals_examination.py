"""From assessment to histology: what has to be known before, at and after an examination."""

from collections.abc import Mapping
from datetime import date, time, timedelta

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.follow_up_rules import (
    BOOK_WORKING_DAYS,
    MISSED_CALL_WORKING_DAYS,
    REQUEST_CHASE_WORKING_DAYS,
    DateRule,
    assessment_gaps,
)
from results.models import Assessment, Booking, Referral
from results.services.referrals_frame import Work, referral_work
from staff.errors import IllegalMove, RoundbookError
from staff.models import Site, User

CANCELLED = {"cancelled_person", "cancelled_site"}


def assessment_record(
    *, by: User, referral: Referral, outcome: str, answers: Mapping[str, bool | None], plan: str = "",
    preparation: str = "", interpreted_by: str = "", seen: int | None = None,
) -> Assessment:  # fmt: skip
    """Record a complete assessment and let the examination be booked.

    `answers`: anticoagulants, diabetes, kidney_disease, interpreter, escort. What is unanswered or unplanned is named
    (code `assessment_incomplete`), and nothing can be booked until it is there (H41–H43).
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        gaps = assessment_gaps(answers, outcome, plan, preparation=preparation, interpreted_by=interpreted_by)
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
            referral=work.referral, outcome=outcome, plan=plan, preparation=preparation.strip(), interpreted_by=interpreted_by.strip(),
            made_on=work.today, made_by=by,
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
