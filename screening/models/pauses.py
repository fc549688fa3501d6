"""Days on which nobody is invited: a holiday, heat, a strike of the post, lost examination slots; of one area or of all."""

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
