"""Runs of the nightly proof and what each check found; append-only evidence. And the rehearsal's own mark."""

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _


class ProofRun(models.Model):
    """One run of all checks in one consistent snapshot: over everything, over what changed, or over a restored backup.

    `horizon` and `tables` say what it saw, so that the next one can tell what changed since: the oldest transaction still open
    then, and of each table the highest id and how many rows there were.
    """

    class Kind(models.TextChoices):
        FULL = "full", _("everything")
        CHANGED = "changed", _("what changed")
        RESTORED = "restored", _("a restored backup")

    kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.FULL, db_default="full")
    horizon = models.BigIntegerField(null=True)
    tables = models.JSONField(default=dict, db_default={})
    started_at = models.DateTimeField()
    seconds = models.FloatField()
    run_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-started_at", "-id"]

    def __str__(self) -> str:
        return f"proof {self.pk}"


class ProofResult(models.Model):
    """What one check found in one run: how many were checked, how many violate, and some of them."""

    run = models.ForeignKey(ProofRun, on_delete=models.PROTECT, related_name="results")
    check_name = models.CharField(max_length=12)
    checked = models.BigIntegerField()
    violating = models.IntegerField()
    offenders = models.JSONField(default=list)
    oldest_days = models.IntegerField(null=True)
    seconds = models.FloatField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["run", "check_name"], name="one_result_per_check_and_run")
        ]

    def __str__(self) -> str:
        return f"{self.check_name}: {self.violating} of {self.checked}"


class Rehearsal(models.Model):
    """A synthetic programme laid into this database: how far it got, so that a half-finished one is noticed."""

    class Status(models.TextChoices):
        RUNNING = "running", _("running")
        DONE = "done", _("done")

    status = models.CharField(max_length=8, choices=Status.choices)
    invited = models.IntegerField()
    seed = models.IntegerField()
    first_day = models.DateField()
    today = models.DateField()
    reached = models.DateField(null=True)
    summary = models.JSONField(default=dict)

    def __str__(self) -> str:
        return f"rehearsal of {self.invited} ({self.status})"
