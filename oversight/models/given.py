"""Levels a programme sets, figures that were given to somebody, and exports; what was said is kept."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _


class LevelSet(models.Model):
    """A standard level as somebody set it for an indicator; append-only, the last row of an indicator and source stands."""

    indicator = models.CharField(max_length=40)
    source = models.CharField(_("source"), max_length=200)
    acceptable = models.DecimalField(_("acceptable"), max_digits=8, decimal_places=3, null=True)
    desirable = models.DecimalField(_("desirable"), max_digits=8, decimal_places=3, null=True)
    confirmed = models.BooleanField(_("read in the document itself"), default=False)
    withdrawn = models.BooleanField(_("no longer shown"), default=False)
    set_at = models.DateTimeField()
    set_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(source="") & ~Q(indicator=""), name="level_has_its_source"),
            models.CheckConstraint(
                condition=Q(acceptable__isnull=False) | Q(desirable__isnull=False) | Q(withdrawn=True),
                name="level_says_something",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.indicator}: {self.acceptable} / {self.desirable}"


class GivenFigure(models.Model):
    """A figure that was given to somebody: what, for whom, by which definition, from which data; append-only."""

    given_at = models.DateTimeField(_("given at"))
    given_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    given_to = models.CharField(_("given to"), max_length=120)
    indicator = models.CharField(max_length=40)
    definition = models.CharField(max_length=24)
    since = models.DateField()
    until = models.DateField()
    only = models.JSONField(default=dict)
    numerator = models.IntegerField()
    denominator = models.IntegerField()
    maturity_percent = models.SmallIntegerField()
    cut_at = models.DateTimeField(_("data as they stood at"))
    fold_id = models.BigIntegerField()

    class Meta:
        ordering: ClassVar = ["-given_at", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(given_to=""), name="given_figure_says_to_whom"),
            models.CheckConstraint(
                condition=Q(until__gte=models.F("since")), name="given_period_runs_forwards"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.indicator}: {self.numerator}/{self.denominator} to {self.given_to}"


class Export(models.Model):
    """A file asked for, made by a worker, with how far it is; the bytes are kept with what they were made from."""

    class Kind(models.TextChoices):
        FIGURES = "figures", _("figures, cut as asked (CSV)")
        WORKBOOK = "workbook", _("workbook with every indicator and the definitions (XLSX)")
        EXTRACT = "extract", _("extract for analysts, one row a round, without names (Parquet)")
        REPORT = "report", _("report with the definitions (PDF)")
        OPEN = "open", _("open data, small numbers hidden (CSV)")

    class Status(models.TextChoices):
        WAITING = "waiting", _("waiting for a worker")
        RUNNING = "running", _("being made")
        DONE = "done", _("ready")
        FAILED = "failed", _("failed")

    kind = models.CharField(_("what"), max_length=10, choices=Kind.choices)
    since = models.DateField(_("from"))
    until = models.DateField(_("to"))
    by = models.CharField(max_length=10)
    only = models.JSONField(default=dict)
    status = models.CharField(max_length=8, choices=Status.choices, default=Status.WAITING)
    progress = models.SmallIntegerField(_("progress, %"), default=0)
    problem = models.CharField(max_length=300, blank=True, default="")
    rows = models.IntegerField(default=0)
    file_name = models.CharField(max_length=120, blank=True, default="")
    content = models.BinaryField(null=True)
    sha256 = models.CharField(max_length=64, blank=True, default="")
    definitions = models.JSONField(default=dict)
    cut_at = models.DateTimeField(null=True)
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering: ClassVar = ["-asked_at", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(progress__range=(0, 100)), name="progress_is_a_percentage"),
            models.CheckConstraint(
                condition=~Q(status="done") | Q(content__isnull=False, cut_at__isnull=False),
                name="finished_export_has_its_file",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.since}–{self.until}: {self.status}"
