"""The calendar of a unit that the programme keeps itself: lists of a day, the points on them, and who has which."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import IntegerRangeField
from django.db import models
from django.db.models import F, Func, Q
from django.utils.translation import gettext_lazy as _

from results.models.referrals import Booking, Referral
from screening.models import Area
from staff.models import Site


class UnitCalendar(models.Model):
    """That the programme keeps this unit's calendar from a day on; before that day, and without it, the unit gives dates."""

    site = models.OneToOneField(
        Site, on_delete=models.PROTECT, related_name="calendar", verbose_name=_("unit")
    )
    kept_from = models.DateField(_("we keep its calendar from"))
    kept_until = models.DateField(_("and no longer from"), null=True, blank=True)
    reserve_percent = models.SmallIntegerField(
        _("kept back for urgent and repeat examinations, % of the points of a week"), default=6
    )
    points_each = models.SmallIntegerField(_("points of an examination"), default=2)
    points_more = models.SmallIntegerField(_("points more for an interpreter or the theatre"), default=1)
    begun_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(kept_until__isnull=True) | Q(kept_until__gt=F("kept_from")),
                name="calendar_ends_after_it_begins",
            ),
            models.CheckConstraint(condition=Q(reserve_percent__range=(0, 50)), name="reserve_is_plausible"),
            models.CheckConstraint(
                condition=Q(points_each__range=(1, 10), points_more__range=(0, 10)),
                name="points_of_an_examination_are_plausible",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site}, {self.kept_from}"


class ClinicList(models.Model):
    """One list of one day at a unit: so many points from an hour on, and what it can do. Cancelled, never deleted."""

    site = models.ForeignKey(
        Site, on_delete=models.PROTECT, related_name="clinic_lists", verbose_name=_("unit")
    )
    day = models.DateField(_("day"))
    starts = models.TimeField(_("from"))
    name = models.CharField(_("name"), max_length=40)
    points = models.SmallIntegerField(_("points"), default=12)
    minutes = models.SmallIntegerField(_("minutes a point"), default=20)
    theatre = models.BooleanField(_("in the theatre, with an anaesthetist"), default=False)
    bed = models.BooleanField(_("a bed for whoever has no escort home"), default=False)
    interpreter = models.BooleanField(_("an interpreter can be there"), default=False)
    laid_down_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    cancelled_at = models.DateTimeField(null=True)
    cancelled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    why = models.TextField(_("why"), blank=True, default="")

    class Meta:
        ordering: ClassVar = ["day", "starts", "pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["site", "day", "starts", "name"],
                condition=Q(cancelled_at__isnull=True),
                name="no_list_laid_down_twice",
            ),
            models.CheckConstraint(
                condition=Q(points__range=(1, 60), minutes__range=(5, 120)), name="list_is_plausible"
            ),
            models.CheckConstraint(
                condition=Q(cancelled_at__isnull=True, cancelled_by__isnull=True)
                | Q(cancelled_at__isnull=False, cancelled_by__isnull=False) & ~Q(why=""),
                name="cancelled_list_says_why",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.day} {self.name}"


@pghistory.track(
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="ListPlaceHistory",
)
class ListPlace(models.Model):
    """So many points of a list in the name of one referral: held until a moment, or booked.

    No two live places of a list share a point: the database refuses it, whatever the services do.
    """

    class Status(models.TextChoices):
        HELD = "held", _("held")
        BOOKED = "booked", _("booked")
        USED = "used", _("the day is over")
        LET_GO = "let_go", _("let go")
        LAPSED = "lapsed", _("lapsed")

    list = models.ForeignKey(ClinicList, on_delete=models.PROTECT, related_name="places", db_index=False)
    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="places", db_index=False)
    points = IntegerRangeField()
    status = models.CharField(max_length=8, choices=Status.choices)
    held_until = models.DateTimeField(null=True)
    booking = models.OneToOneField(Booking, on_delete=models.PROTECT, null=True, related_name="place")
    theatre = models.BooleanField(default=False)
    bed = models.BooleanField(default=False)
    interpreter = models.BooleanField(default=False)
    urgent = models.BooleanField(default=False)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["list", "status"], name="place_on_list"),
            models.Index(fields=["referral", "status"], name="place_of_referral"),
        ]
        constraints: ClassVar = [
            # A one-value range of the list's number: so the constraint needs no extension.
            ExclusionConstraint(
                name="no_point_of_a_list_twice",
                expressions=[
                    (Func(F("list_id"), F("list_id"), models.Value("[]"), function="int8range"), "&&"),
                    ("points", "&&"),
                ],
                condition=Q(status__in=["held", "booked", "used"]),
            ),
            models.UniqueConstraint(
                fields=["referral"], condition=Q(status="booked"), name="one_booked_place_a_referral"
            ),
            models.CheckConstraint(
                condition=Q(status="held", held_until__isnull=False, booking__isnull=True)
                | ~Q(status__in=["held", "booked", "used"])
                | Q(status__in=["booked", "used"], booking__isnull=False),
                name="place_is_held_or_booked",
            ),
            models.CheckConstraint(
                condition=Q(points__isempty=False, points__startswith__gte=0), name="place_has_points"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.list}: {self.points}"

    LIVE: ClassVar = (Status.HELD, Status.BOOKED)
    TAKEN: ClassVar = (Status.HELD, Status.BOOKED, Status.USED)


class TravelTime(models.Model):
    """Minutes from an area to a unit, as people travel."""

    area = models.ForeignKey(Area, on_delete=models.CASCADE, related_name="travel")
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="travel")
    minutes = models.SmallIntegerField(_("minutes"))

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["area", "site"], name="one_travel_time_a_way"),
            models.CheckConstraint(condition=Q(minutes__range=(0, 600)), name="travel_time_is_plausible"),
        ]

    def __str__(self) -> str:
        return f"{self.area} – {self.site}: {self.minutes} min"
