"""Referrals for programs: the list, one with its story, and what both need."""

from typing import Any, ClassVar

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request

from results.models import Booking, Referral
from results.states import REFERRAL
from screening.access import people_listed, person_open
from staff.api.base import Reads, Shown, asked, page_of
from staff.api.does import Does
from staff.api.fields import Shape
from staff.models import Purpose, User

PART = "Referrals"
STATES = [(state, state) for state in REFERRAL.states]


class ReferralShape(Shape):
    """A referral: where it stands, in whose hands, and when it is due."""

    id = serializers.IntegerField()
    person = serializers.IntegerField(source="person_id")
    state = serializers.ChoiceField(choices=STATES)
    opened_on = serializers.DateField()
    due_on = serializers.DateField(allow_null=True)
    due_time = serializers.TimeField(allow_null=True)
    owner = serializers.CharField(source="owner.full_name", allow_null=True, default=None)
    pool = serializers.CharField()
    close_reason = serializers.CharField()
    closed_at = serializers.DateTimeField(allow_null=True)


class MoveShape(Shape):
    """One entry of the referral's ledger."""

    seq = serializers.IntegerField()
    event = serializers.CharField()
    from_state = serializers.CharField()
    to_state = serializers.CharField()
    due_on = serializers.DateField(allow_null=True)
    reason = serializers.CharField()
    occurred_at = serializers.DateTimeField()
    by = serializers.CharField(source="actor.full_name")


class BookingShape(Shape):
    """A day and time at a unit."""

    id = serializers.IntegerField()
    site = serializers.CharField(source="site.code")
    day = serializers.DateField()
    time = serializers.TimeField()
    status = serializers.ChoiceField(choices=Booking.Status.choices)


class ReferralFullShape(ReferralShape):
    """A referral with its bookings and its whole story."""

    bookings = BookingShape(many=True)
    moves = MoveShape(many=True)


class Filters(Shape):
    """Which referrals."""

    state = serializers.ChoiceField(choices=STATES, required=False)


REFERRAL_EXAMPLE = {
    "id": 17, "person": 41, "state": "to_reach", "opened_on": "2026-06-17", "due_on": "2026-06-18", "due_time": None,
    "owner": None, "pool": "coordinators", "close_reason": "", "closed_at": None,
}  # fmt: skip
FULL = REFERRAL_EXAMPLE | {
    "bookings": [{"id": 2, "site": "QCU", "day": "2026-07-01", "time": "09:00:00", "status": "booked"}],
    "moves": [
        {
            "seq": 1, "event": "open", "from_state": "", "to_state": "to_reach", "due_on": "2026-06-18", "reason": "",
            "occurred_at": "2026-06-17T11:30:00Z", "by": "Ymara Tolvenko",
        }
    ],
}  # fmt: skip


def referrals_of(by: User) -> QuerySet[Referral]:
    """The referrals a client may know of: one bound to a unit those with a booking there."""
    ids, rows = by.site_ids, Referral.objects.select_related("owner")
    return rows if ids is None else rows.filter(pk__in=Booking.objects.filter(site_id__in=ids).values("referral_id"))


def referral_shown(referral: Referral) -> Shown:
    """A referral with its story, and the tag of this version."""
    data = dict(ReferralShape(referral).data)
    data["bookings"] = BookingShape(referral.bookings.select_related("site").order_by("pk"), many=True).data
    data["moves"] = MoveShape(referral.moves.select_related("actor").order_by("seq"), many=True).data
    return Shown(data, tag=f"referral-{referral.last_seq}")


class Referrals(Reads):
    """Referrals."""

    does: ClassVar = {
        "GET": Does(
            name="referrals", part=PART, summary="Referrals, newest first", gives=ReferralShape, example=REFERRAL_EXAMPLE,
            paged=True, query=(OpenApiParameter("state", str, enum=list(REFERRAL.states), description="Only those in this state."),),
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """A page of referrals; whose they are is journalled."""
        rows = referrals_of(self.by).filter(**asked(request, Filters))
        found, page = page_of(request, rows, ReferralShape)
        people_listed(by=self.by, person_ids=[one.person_id for one in found], place="api:referrals")
        return Shown(page)


class OneReferral(Reads):
    """One referral."""

    does: ClassVar = {
        "GET": Does(
            name="referral", part=PART, summary="A referral with its story; its ETag goes into If-Match of every step",
            gives=ReferralFullShape, example=FULL, etag=True,
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The referral, journalled."""
        referral = get_object_or_404(referrals_of(self.by), pk=at["pk"])
        person_open(by=self.by, person_id=referral.person_id, purpose=Purpose.WORKLIST, place="api:referral")
        return referral_shown(referral)
