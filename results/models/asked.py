"""A change that waits for the second person where they are: asked at one screen, agreed or refused at another (R14)."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.models.lab import Reading, Run
from results.models.look_back import LookBack, LookBackRow
from results.models.results import Result


class AskedSecond(models.Model):
    """What one person asks another to agree to; nothing changes before they do. Decided once, by somebody else."""

    class Kind(models.TextChoices):
        AMEND = "amend", _("make the next version of a result")
        WITHDRAW = "withdraw", _("take a result back")
        SETTLE = "settle", _("settle a held run")
        LOOK_BACK = "look_back", _("decide about samples of a look-back")

    class Verdict(models.TextChoices):
        OPEN = "", _("waits")
        AGREED = "agreed", _("agreed and done")
        REFUSED = "refused", _("not agreed")
        TAKEN_BACK = "taken_back", _("no longer asked")

    kind = models.CharField(max_length=10, choices=Kind.choices)
    result = models.ForeignKey(Result, on_delete=models.PROTECT, null=True, related_name="asked")
    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, null=True, related_name="+")
    run = models.ForeignKey(Run, on_delete=models.PROTECT, null=True, related_name="asked")
    look_back = models.ForeignKey(LookBack, on_delete=models.PROTECT, null=True, related_name="asked")
    chosen = models.CharField(_("what is done"), max_length=20, blank=True, default="")
    rows = models.JSONField(_("rows of the look-back"), default=list)
    words = models.TextField(_("why"))
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    due_on = models.DateField()
    verdict = models.CharField(max_length=10, choices=Verdict.choices, blank=True, default="")
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True)
    note = models.TextField(blank=True, default="")

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["due_on", "id"], condition=Q(verdict=""), name="asked_second_open_by_day")
        ]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(kind__in=["amend", "withdraw"], result__isnull=False, run__isnull=True, look_back__isnull=True)
                | Q(kind="settle", run__isnull=False, result__isnull=True, look_back__isnull=True)
                | Q(kind="look_back", look_back__isnull=False, result__isnull=True, run__isnull=True),
                name="asked_second_about_one_thing",
            ),
            models.CheckConstraint(
                condition=Q(verdict="", decided_by__isnull=True, decided_at__isnull=True)
                | ~Q(verdict="") & Q(decided_by__isnull=False, decided_at__isnull=False),
                name="asked_second_decided_has_person_and_time",
            ),
            models.CheckConstraint(
                condition=Q(verdict="") | Q(verdict="taken_back") | ~Q(decided_by=F("asked_by")),
                name="asked_second_is_somebody_else",
            ),
            models.UniqueConstraint(fields=["result"], condition=Q(verdict=""), name="one_open_question_a_result"),
            models.UniqueConstraint(fields=["run"], condition=Q(verdict=""), name="one_open_question_a_run"),
        ]  # fmt: skip

    @property
    def chosen_words(self) -> str:
        """What is done about the rows of a look-back, in words."""
        return str(dict(LookBackRow.Action.choices).get(self.chosen, self.chosen))

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, asked by {self.asked_by}"
