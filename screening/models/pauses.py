"""When and how fast people are invited: pauses (holiday, heat, strike, lost slots) and a pace a working day, by area."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from screening.models.people import Area


class InvitationPause(models.Model):
    """From a day until another nobody of an area (empty: of any) is put in a batch; who is invited already is not touched."""

    class Kind(models.TextChoices):
        HOLIDAY = "holiday", _("holiday")
        HEAT = "heat", _("heat: samples would suffer in the post")
        POST = "post", _("the post does not run")
        SLOTS = "slots", _("too few examinations free")
        OTHER = "other", _("another reason")

    area = models.ForeignKey(Area, on_delete=models.PROTECT, null=True, blank=True, verbose_name=_("area"))
    kind = models.CharField(_("why"), max_length=8, choices=Kind.choices)
    since = models.DateField(_("from"))
    until = models.DateField(_("until and with"))
    note = models.CharField(_("note"), max_length=200, blank=True, default="")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    ended_on = models.DateField(null=True)

    class Meta:
        ordering: ClassVar = ["-since"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(until__gte=F("since")), name="a_pause_ends_after_it_begins"),
            models.CheckConstraint(
                condition=Q(kind__in=["holiday", "heat", "post", "slots", "other"]),
                name="a_pause_has_a_known_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.since} to {self.until}"


class InvitationPace(models.Model):
    """How many people of an area (empty: of all together) may be invited on one working day, from a day on.

    The newest row that has begun counts; one without a number takes the limit off. Rows are never changed.
    """

    area = models.ForeignKey(Area, on_delete=models.PROTECT, null=True, blank=True, verbose_name=_("area"))
    per_day = models.IntegerField(_("people a working day"), null=True, blank=True)
    since = models.DateField(_("from"))
    note = models.CharField(_("why"), max_length=200, blank=True, default="")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-since", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(per_day__isnull=True) | Q(per_day__range=(1, 50_000)), name="a_pace_is_plausible"
            )
        ]

    def __str__(self) -> str:
        return f"{self.area or 'all'}: {self.per_day} a day from {self.since}"
