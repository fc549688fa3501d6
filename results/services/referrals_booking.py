"""Asking a unit for a date and writing the date down, behind the gate of the assessment."""

from datetime import date, time

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.follow_up_rules import REQUEST_CHASE_WORKING_DAYS, DateRule
from results.models import Booking, Referral
from results.services.referrals_assessment import demand_bookable
from results.services.referrals_frame import referral_work
from staff.errors import RoundbookError
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
        demand_bookable(work)
        made = Booking.objects.create(
            referral=work.referral, site=site, day=day, time=time, made_by=by, made_on=work.today
        )
        late = (day - work.referral.opened_on).days > work.policy.examination_days
        words = f"{site.name}, {date_format(day, 'j M Y')}, {time:%H:%M}. {note}".strip()
        work.move("book", due_on=day, rule=DateRule.BOOKED, reason="past_promise" if late else "", note=words)
    return made
