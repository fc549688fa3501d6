"""Dated versions of analysers and kit models, entered by one person and put in force by another; and slip checks."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.models.lab import Analyser, Run, Unit
from screening.models import KitModel
from staff.models import Site


class AnalyserVersion(models.Model):
    """How an analyser is set up from a day on; the first version of a code makes the analyser."""

    code = models.CharField(_("code"), max_length=20)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+", verbose_name=_("laboratory"))
    name = models.CharField(_("name"), max_length=60)
    usual_unit = models.CharField(_("usual unit"), max_length=6, choices=Unit.choices)
    positions = models.SmallIntegerField(_("vials side by side"), default=1)
    valid_from = models.DateField(_("in force from"))
    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, null=True, related_name="versions")
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["code", "-valid_from", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(positions__range=(1, 200)), name="analyser_positions_are_plausible"
            ),
            models.CheckConstraint(
                condition=Q(confirmed_by__isnull=True, analyser__isnull=True)
                | (
                    Q(analyser__isnull=False)
                    & ~Q(confirmed_by=F("entered_by"))
                    & Q(confirmed_by__isnull=False)
                ),
                name="analyser_version_in_force_by_a_second_person",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.code}), {self.valid_from}"


class KitModelProposal(models.Model):
    """The facts of a kit model from its leaflet, before and after a second person has put them in force as a version."""

    name = models.CharField(_("name"), max_length=60)
    leaflet = models.CharField(_("leaflet and edition"), max_length=120)
    stool_mg = models.DecimalField(_("stool mass, mg"), max_digits=6, decimal_places=3)
    buffer_ml = models.DecimalField(_("buffer volume, mL"), max_digits=6, decimal_places=3)
    lod_ug_g = models.DecimalField(_("limit of detection, µg/g"), max_digits=8, decimal_places=3)
    loq_ug_g = models.DecimalField(_("limit of quantitation, µg/g"), max_digits=8, decimal_places=3)
    upper_ug_g = models.DecimalField(_("upper limit, µg/g"), max_digits=8, decimal_places=3)
    sample_age_limit_days = models.SmallIntegerField(_("oldest sample, days"), default=14)
    valid_from = models.DateField(_("from"))
    kit_model = models.OneToOneField(KitModel, on_delete=models.PROTECT, null=True, related_name="proposal")
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["name", "-valid_from", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(confirmed_by__isnull=True, kit_model__isnull=True)
                | (
                    Q(kit_model__isnull=False)
                    & ~Q(confirmed_by=F("entered_by"))
                    & Q(confirmed_by__isnull=False)
                ),
                name="kit_model_in_force_by_a_second_person",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name}, {self.valid_from}"


class SlipCheck(models.Model):
    """What check samples at positions only the laboratory's list knows said about a run; append-only, the newest counts.

    `shift` is by how many places the results stand off their vials: 0 when they fit, empty when nothing explains them.
    """

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="slip_checks")
    expected = models.TextField()
    shift = models.SmallIntegerField(null=True)
    checked_at = models.DateTimeField()
    checked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-pk"]

    def __str__(self) -> str:
        return f"{self.run}: {self.shift}"
