"""What became of a booking: attended, missed, cancelled by either side, and taking such an answer back."""

from datetime import date, timedelta
from typing import Any

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_lazy as _

from results.calendar_rules import confirm_by
from results.follow_up_rules import MISSED_CALL_WORKING_DAYS, DateRule
from results.models import Booking, ListPlace, Referral
from results.referral_attendance import ANSWER_EVENTS
from results.services.referrals_frame import Work, referral_work
from staff.access import user_holds
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Pool, Role

CANCELLED = {"cancelled_person", "cancelled_site"}
MISSED_AGAIN = "missed_again"


def booking_outcome(
    *, by: User, booking: Booking, outcome: str, note: str = "", seen: int | None = None
) -> None:
    """Whether the person attended, did not, or either side cancelled; never closes anything (H20).

    Somebody who misses a second time goes to the clinicians, who call; the days keep counting.
    """
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
        work.demand("examined" if outcome == "attended" else "unbook")
        _status_set(locked, outcome)
        booking.status = outcome
        if outcome == "attended":
            due = work.working(0, after=max(locked.day + timedelta(days=work.policy.report_days), work.today))
            work.move("examined", due_on=due, rule=DateRule.REPORT, note=note)
        elif outcome == "missed":
            _missed(work, note)
        else:
            work.move("unbook", due_on=work.working(1), rule=DateRule.CANCELLED, reason=outcome, note=note)


PLACE_AFTER = {
    Booking.Status.BOOKED: ListPlace.Status.BOOKED,
    Booking.Status.ATTENDED: ListPlace.Status.USED,
    Booking.Status.MISSED: ListPlace.Status.USED,
}
"""What becomes of a booking's place on our own list; it is let go where nothing is said."""


def _status_set(booking: Booking, status: str) -> None:
    """Settle a booking and, with it, its place on our own list."""
    booking.status = status
    booking.save(update_fields=["status"])
    after = PLACE_AFTER.get(Booking.Status(status), ListPlace.Status.LET_GO)
    try:
        with transaction.atomic():
            ListPlace.objects.filter(booking=booking).exclude(status=after).update(status=after)
    except IntegrityError as error:
        raise IllegalMove(
            "place_given_away", _("The place on the list was given to somebody else. Book another one.")
        ) from error


def booked_due(work: Work, booking: Booking) -> tuple[date, str]:
    """The next date of somebody booked: the day itself or, until the day is confirmed, the day on which we ask.

    Past that day we ask again on every working day.
    """
    if booking.confirmed_on is not None or booking.day <= work.today:
        return max(booking.day, work.today), DateRule.BOOKED
    by = confirm_by(booking.day, work.closed_days)
    return (by if by > work.today else min(work.working(1), booking.day)), DateRule.CONFIRM


def _missed(work: Work, note: str) -> None:
    again = work.referral.bookings.filter(status=Booking.Status.MISSED).count() > 1
    work.move(
        "unbook", due_on=work.working(MISSED_CALL_WORKING_DAYS), note=note,
        rule=DateRule.MISSED_AGAIN if again else DateRule.MISSED, reason=MISSED_AGAIN if again else "missed",
        hands=_to_clinicians(work) if again else None,
    )  # fmt: skip


def _to_clinicians(work: Work) -> dict[str, Any] | None:
    """The clinicians' pool, unless a clinician holds the referral already."""
    owner = work.referral.owner
    return None if owner is not None and user_holds(owner, [Role.CLINICIAN]) else {"pool": Pool.CLINICIANS}


def booking_outcome_take_back(*, by: User, referral: Referral, seen: int | None = None) -> Booking:
    """Take a wrong answer about attendance back, while nothing has happened since; the booking stands again.

    The wrong answer stays in the story. Whoever held the referral holds it again.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        moves = list(work.referral.moves.order_by("-seq")[:2])
        booking = work.referral.bookings.exclude(status=Booking.Status.BOOKED).order_by("-pk").first()
        if not moves or moves[0].event not in ANSWER_EVENTS or booking is None:
            raise IllegalMove(
                "nothing_to_take_back",
                _("Something has happened since this answer, so it stands. Record what is true now."),
            )
        work.demand("attendance_undone")
        _status_set(booking, Booking.Status.BOOKED)
        before = moves[1]
        hands = {"owner": before.owner} if before.owner is not None else {"pool": before.pool}
        due, rule = booked_due(work, booking)
        due = booking.day if rule == DateRule.BOOKED else due
        work.move("attendance_undone", due_on=due, rule=rule, hands=hands)
    return booking


def booking_let_go(work: Work, *, status: str = Booking.Status.CANCELLED_PERSON) -> Booking | None:
    """Settle a booking that still stands when the referral leaves it (a pause, elsewhere, closed); the unit must be told."""
    booking = work.referral.bookings.filter(status=Booking.Status.BOOKED).select_related("site").first()
    if booking is not None:
        _status_set(booking, status)
    return booking
