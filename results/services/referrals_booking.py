"""Asking a unit for a date and writing the date down, behind the gate of the assessment."""

from datetime import date, time

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.calendar_board import kept_on
from results.calendar_rules import confirm_by
from results.follow_up_rules import ACKNOWLEDGED_CHASE_WORKING_DAYS, REQUEST_CHASE_WORKING_DAYS, DateRule
from results.models import Booking, Referral, UnitCalendar
from results.services.referrals_assessment import demand_bookable
from results.services.referrals_attendance import booked_due, booking_let_go
from results.services.referrals_frame import Work, referral_work
from staff.errors import IllegalMove, RoundbookError
from staff.models import Site, User


def _unit(site: Site) -> None:
    if not site.does_colonoscopy:
        raise RoundbookError(
            "not_a_unit", _("%(site)s does no examinations. Choose another site.") % {"site": site.name}
        )


def examination_request(
    *, by: User, referral: Referral, site: Site, note: str = "", seen: int | None = None
) -> None:
    """Ask a unit for a date (R17, the site books); chased when no answer comes within 3 working days."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        _unit(site)
        work.demand("request")
        demand_bookable(work)
        words = f"{site.name}. {note}".strip() if note else site.name
        work.move(
            "request", due_on=work.working(REQUEST_CHASE_WORKING_DAYS), rule=DateRule.REQUEST, reason=site.code,
            note=words,
        )  # fmt: skip


def request_acknowledged(*, by: User, referral: Referral, note: str = "", seen: int | None = None) -> None:
    """The unit says that it has the request (R17); a date is chased when none has come within 5 working days."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if work.referral.state != "requested":
            work.demand("request_acknowledged")
        if work.referral.moves.filter(event="request").latest("seq").seq < _acknowledged_seq(work.referral):
            raise IllegalMove(
                "acknowledged_before",
                _("The unit has acknowledged this request already. Ask it for the date."),
            )
        due = work.working(ACKNOWLEDGED_CHASE_WORKING_DAYS)
        work.move("reschedule", due_on=due, rule=DateRule.ACKNOWLEDGED, reason="acknowledged", note=note)


def _acknowledged_seq(referral: Referral) -> int:
    """The number of the latest acknowledgement, 0 without one."""
    seqs = referral.moves.filter(reason="acknowledged").order_by("-seq").values_list("seq", flat=True)
    return seqs[0] if seqs else 0


def booking_make(
    *, by: User, referral: Referral, site: Site, day: date, time: time, note: str = "", agreed: bool = True,
    seen: int | None = None,
) -> Booking:  # fmt: skip
    """Write down the site, day and time that a unit gave, on or after today; `agreed`: the person knows and agrees.

    RoundbookError (code `own_calendar`) where we keep the unit's calendar: there a place is found on a list.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        _unit(site)
        if day < work.today:
            raise RoundbookError(
                "day_in_the_past", _("The day lies in the past. Choose today or a later day.")
            )
        if UnitCalendar.objects.filter(kept_on(day), site=site).exists():
            raise RoundbookError(
                "own_calendar",
                _("We keep the calendar of %(site)s ourselves. Find a place on its lists.")
                % {"site": site.name},
            )
        return booking_write(work, site=site, day=day, at=time, note=note, agreed=agreed)


def booking_write(
    work: Work, *, site: Site, day: date, at: time, note: str = "", agreed: bool = True
) -> Booking:
    """The booking itself, inside a referral's transaction: behind the gate of the assessment, with its next date."""
    work.demand("book")
    demand_bookable(work)
    made = Booking.objects.create(
        referral=work.referral, site=site, day=day, time=at, made_by=work.by, made_on=work.today,
        confirmed_on=work.today if agreed else None,
    )  # fmt: skip
    late = (day - work.referral.opened_on).days > work.policy.examination_days
    words = f"{site.name}, {date_format(day, 'j M Y')}, {at:%H:%M}. {note}".strip()
    due, rule = booked_due(work, made)
    work.move("book", due_on=due, rule=rule, reason="past_promise" if late else "", note=words)
    return made


def booking_confirm(*, by: User, booking: Booking, seen: int | None = None) -> None:
    """The person agreed to the day; the next date is the day itself."""
    with referral_work(by=by, referral=booking.referral, seen=seen) as work:
        locked = standing_booking(work, booking)
        if locked.confirmed_on is None:
            locked.confirmed_on = work.today
            locked.save(update_fields=["confirmed_on"])
            due, rule = booked_due(work, locked)
            work.move("reschedule", due_on=due, rule=rule, reason="confirmed")


def booking_give_back(*, by: User, booking: Booking, note: str = "", seen: int | None = None) -> None:
    """Offer the place of somebody who has not confirmed it to others; the person is called and offered another day.

    Refused before the day on which we ask (three days before), and when the person has confirmed.
    """
    with referral_work(by=by, referral=booking.referral, seen=seen) as work:
        locked = standing_booking(work, booking)
        if locked.confirmed_on is not None:
            raise IllegalMove("confirmed", _("The person has confirmed this day. Cancel it with its reason."))
        ask_from = confirm_by(locked.day, work.closed_days)
        if work.today < ask_from:
            raise IllegalMove(
                "too_early",
                _("The person is asked on %(day)s; the place is kept up to then.")
                % {"day": date_format(ask_from, "j M Y")},
            )
        booking_let_go(work, status=Booking.Status.NOT_CONFIRMED)
        work.move(
            "unbook", due_on=work.working(1), rule=DateRule.NOT_CONFIRMED, reason="not_confirmed", note=note
        )


def standing_booking(work: Work, booking: Booking) -> Booking:
    """The booking under lock; refused when it no longer stands."""
    locked = Booking.objects.select_for_update().get(pk=booking.pk)
    if locked.status != Booking.Status.BOOKED or work.referral.state != "booked":
        raise IllegalMove(
            "booking_settled",
            _("This booking already reads “%(status)s”. Look at the page again.")
            % {"status": locked.get_status_display()},
        )
    return locked
