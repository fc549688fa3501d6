"""The post for programs: deliveries and the kits that came back in them. A client of one site sees that site's alone."""

from typing import Any, ClassVar

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.request import Request

from screening.models import Delivery, Return
from screening.services.intake import delivery_record, returns_log_many
from screening.services.intake_sessions import delivery_scanned, hand_count_correct
from screening.states import RETURN
from staff.api.base import Acts, Reads, Shown, page_of
from staff.api.does import Does
from staff.api.fields import Day, Shape, Words
from staff.errors import RoundbookError
from staff.models import Site, User

PART = "Post"
MOST_KITS = 300
STATES = [(state, state) for state in RETURN.states]


class DeliveryShape(Shape):
    """A sack or box of post as it reached the building."""

    id = serializers.IntegerField()
    site = serializers.CharField(source="site.code")
    arrived_on = serializers.DateField()
    arrived_at = serializers.DateTimeField()
    label = serializers.CharField()  # type: ignore[assignment]
    hand_count = serializers.IntegerField(allow_null=True)
    settled_at = serializers.DateTimeField(allow_null=True)


class DeliveryFullShape(DeliveryShape):
    """A delivery with how many kits of it were logged."""

    logged = serializers.IntegerField()


class DeliveryGiven(Shape):
    """What arrived, where and when."""

    site = serializers.CharField(max_length=12)
    arrived_on = Day()
    label = Words(required=False, max_length=60)  # type: ignore[assignment]
    hand_count = serializers.IntegerField(min_value=0, max_value=100_000, allow_null=True, default=None)


class CountGiven(Shape):
    """Another count by hand."""

    hand_count = serializers.IntegerField(min_value=0, max_value=100_000)


class KitGiven(Shape):
    """One kit as it came: its serial, the day written on its label, and what is wrong with it, if anything."""

    serial = serializers.CharField(max_length=40)
    day = Words(required=False, max_length=24)
    condition = Words(required=False, max_length=40)


class KitsGiven(Shape):
    """Kits of one delivery."""

    kits = serializers.ListField(child=KitGiven(), min_length=1, max_length=MOST_KITS)


class LoggedRowShape(Shape):
    """What became of one kit."""

    serial = serializers.CharField()
    outcome = serializers.CharField()
    code = serializers.CharField()


class LoggedShape(Shape):
    """What became of the kits."""

    logged = serializers.IntegerField()
    rows = LoggedRowShape(many=True)


class ReturnShape(Shape):
    """A kit that came back."""

    id = serializers.IntegerField()
    serial = serializers.CharField(source="kit.serial")
    delivery = serializers.IntegerField(source="delivery_id")
    state = serializers.ChoiceField(choices=STATES)
    arrived_on = serializers.DateField()
    collected_earliest = serializers.DateField()
    collected_latest = serializers.DateField()
    remark = serializers.CharField()
    due_on = serializers.DateField(allow_null=True)


EXAMPLE = {
    "id": 9, "site": "QHC", "arrived_on": "2026-06-17", "arrived_at": "2026-06-17T07:00:00Z", "label": "sack", "hand_count": 40,
    "settled_at": None,
}  # fmt: skip
FULL = EXAMPLE | {"logged": 40}
RETURN_EXAMPLE = {
    "id": 77, "serial": "TK000000001M", "delivery": 9, "state": "ready", "arrived_on": "2026-06-17",
    "collected_earliest": "2026-06-15", "collected_latest": "2026-06-15", "remark": "", "due_on": None,
}  # fmt: skip


def site_of(by: User, code: str) -> Site:
    """A site the client may write for; refused alike when it is unknown and when it is another's."""
    ids = by.site_ids
    found = Site.objects.filter(code=code).first()
    if found is None or (ids is not None and found.pk not in ids):
        raise RoundbookError("site_unknown", _("There is no such site, or this client is not bound to it."))
    return found


def deliveries_of(by: User) -> QuerySet[Delivery]:
    """The deliveries a client may know of."""
    ids, rows = by.site_ids, Delivery.objects.select_related("site")
    return rows if ids is None else rows.filter(site_id__in=ids)


def _full(delivery: Delivery) -> dict[str, Any]:
    return dict(DeliveryShape(delivery).data) | {"logged": delivery_scanned(delivery.pk)}


def _tag(delivery: Delivery) -> str:
    return f"delivery-{0 if delivery.hand_count is None else delivery.hand_count + 1}{'s' if delivery.settled_at else ''}"


class Deliveries(Reads, Acts):
    """Deliveries."""

    does: ClassVar = {
        "GET": Does(
            name="deliveries", part=PART, summary="Deliveries, newest first", gives=DeliveryShape, example=EXAMPLE, paged=True
        ),
        "POST": Does(
            name="delivery_record", part=PART, summary="Record a delivery as it reached the building", status=201,
            takes=DeliveryGiven, gives=DeliveryFullShape, example=FULL | {"logged": 0},
            sends={"site": "QHC", "arrived_on": "2026-06-17", "label": "sack", "hand_count": 40},
        ),
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """A page of deliveries."""
        return Shown(page_of(request, deliveries_of(self.by), DeliveryShape)[1])

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Record one."""
        site = site_of(self.by, given.pop("site"))
        delivery = delivery_record(by=self.by, site=site, **given)
        return Shown(_full(delivery), headers={"Location": f"/api/deliveries/{delivery.pk}"})


class OneDelivery(Reads):
    """One delivery."""

    does: ClassVar = {
        "GET": Does(
            name="delivery", part=PART, summary="A delivery and how many of its kits were logged", gives=DeliveryFullShape,
            example=FULL, etag=True,
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The delivery."""
        delivery = get_object_or_404(deliveries_of(self.by), pk=at["pk"])
        return Shown(_full(delivery), tag=f"{_tag(delivery)}-{delivery_scanned(delivery.pk)}")


class DeliveryCount(Acts):
    """Count a delivery again."""

    does: ClassVar = {
        "POST": Does(
            name="delivery_count", part=PART, summary="Put another count by hand in place of the one before",
            takes=CountGiven, sends={"hand_count": 41}, gives=DeliveryFullShape, example=FULL | {"hand_count": 41},
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Correct the count."""
        delivery = get_object_or_404(deliveries_of(self.by), pk=at["pk"])
        hand_count_correct(by=self.by, delivery=delivery, hand_count=given["hand_count"])
        delivery.refresh_from_db()
        return Shown(_full(delivery))


class Returns(Reads, Acts):
    """Kits of one delivery."""

    does: ClassVar = {
        "GET": Does(
            name="returns", part=PART, summary="The kits logged from a delivery", gives=ReturnShape, example=RETURN_EXAMPLE,
            paged=True,
        ),
        "POST": Does(
            name="returns_log", part=PART, summary="Log up to 300 kits of a delivery, by the rules of the bench",
            takes=KitsGiven, gives=LoggedShape,
            sends={"kits": [{"serial": "TK000000001M", "day": "15", "condition": ""}]},
            example={"logged": 1, "rows": [{"serial": "TK000000001M", "outcome": "accepted", "code": "ok"}]},
            words="`day` is what stands on the label: the day alone, or a whole date. A kit that is in already is answered so.",
        ),
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """A page of returns."""
        delivery = get_object_or_404(deliveries_of(self.by), pk=at["pk"])
        rows = Return.objects.filter(delivery=delivery).select_related("kit")
        return Shown(page_of(request, rows, ReturnShape)[1])

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Log them."""
        delivery = get_object_or_404(deliveries_of(self.by), pk=at["pk"])
        rows = [(kit["serial"], kit["day"], kit["condition"]) for kit in given["kits"]]
        done = returns_log_many(by=self.by, delivery=delivery, rows=rows)
        told = [{"serial": serial, "outcome": outcome, "code": code} for serial, outcome, code in done.rows]
        return Shown({"logged": done.logged, "rows": told})
