"""Which bookings have passed without anybody saying what happened, and which were answered today."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import F, Q, QuerySet

from results.models import Booking, ReferralMove
from staff import clock
from staff.models import Site

LIST_DONE_BY = 18
"""By this hour every booking of the day has an answer. Source: common practice, no source; the programme decides."""
ANSWERS = (Booking.Status.ATTENDED, Booking.Status.MISSED, Booking.Status.CANCELLED_PERSON, Booking.Status.CANCELLED_SITE)  # fmt: skip
ANSWER_EVENTS = ("examined", "unbook")


@dataclass(frozen=True)
class Answered:
    """One answer of today that can still be taken back: nothing has happened to the referral since."""

    booking: Booking
    move: ReferralMove


def overdue_on(moment: datetime, zone_name: str = "") -> date:
    """The latest day whose bookings all need an answer at this moment: today from 18:00 at the site, else yesterday."""
    local = moment.astimezone(clock.zone(zone_name))
    return local.date() if local.hour >= LIST_DONE_BY else local.date() - timedelta(days=1)


def attendance_missing(moment: datetime) -> QuerySet[Booking]:
    """Bookings that still stand although their day is over where the site is, oldest first."""
    zones = (
        Site.objects.filter(does_colonoscopy=True).order_by().values_list("time_zone", flat=True).distinct()
    )
    over = Q(pk__in=[])
    for name in zones:
        over |= Q(site__time_zone=name, day__lte=overdue_on(moment, name))
    waiting = Booking.objects.filter(over, status=Booking.Status.BOOKED, referral__state="booked")
    return waiting.order_by("day", "site__name", "time", "pk")


def answered_today(today: date) -> list[Answered]:
    """The answers given today after which nothing has happened to the referral, latest first."""
    since = clock.moment(today)
    moves = (
        ReferralMove.objects.filter(
            event__in=ANSWER_EVENTS, occurred_at__gte=since, seq=F("subject__last_seq")
        )
        .select_related("actor", "subject__person")
        .order_by("-occurred_at", "-pk")[:100]
    )
    latest = {
        one.referral_id: one
        for one in Booking.objects.filter(referral_id__in=[m.subject_id for m in moves], status__in=ANSWERS)
        .select_related("site")
        .order_by("pk")
    }
    return [Answered(latest[move.subject_id], move) for move in moves if move.subject_id in latest]
