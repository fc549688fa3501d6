"""Records that may be one person: pairs a person looks at, merges by two and taken back, and look-alikes told apart for good."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from screening.models.people import Person


class PossibleDuplicate(models.Model):
    """Two records that may be one person. Nobody but a person decides; "different" holds for ever and warns of look-alikes."""

    class Verdict(models.TextChoices):
        OPEN = "", _("to be looked at")
        SAME = "same", _("one person")
        DIFFERENT = "different", _("checked, different people")

    first = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    second = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    weight = models.DecimalField(_("weight"), max_digits=6, decimal_places=2)
    levels = models.JSONField(default=dict)
    found_on = models.DateField()
    hold_until = models.DateField()
    verdict = models.CharField(max_length=9, choices=Verdict.choices, default="", blank=True)
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True)
    note = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["first", "second"], name="a_pair_is_looked_at_once"),
            models.CheckConstraint(condition=Q(first__lt=F("second")), name="a_pair_has_an_order"),
            models.CheckConstraint(
                condition=Q(verdict="", decided_by__isnull=True)
                | ~Q(verdict="") & Q(decided_by__isnull=False),
                name="a_verdict_on_a_pair_has_its_author",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.first_id} and {self.second_id}"


class PersonMerge(models.Model):
    """One record put under another: asked by one person, agreed to by a second, and taken back by anyone with a reason.

    It moves no row: only `merged_into` of the record is set, and cleared again.
    """

    kept = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    merged = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    why = models.CharField(_("why it is one person"), max_length=200)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True)
    agreed = models.BooleanField(null=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    undone_at = models.DateTimeField(null=True)
    undone_why = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(kept=F("merged")), name="nobody_is_merged_into_herself"),
            models.CheckConstraint(
                condition=Q(decided_by__isnull=True) | ~Q(decided_by=F("asked_by")),
                name="a_merge_is_decided_by_a_second_person",
            ),
            models.UniqueConstraint(
                fields=["merged"],
                condition=Q(undone_at__isnull=True) & ~Q(agreed=False),
                name="one_merge_at_a_time",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.merged_id} into {self.kept_id}"
