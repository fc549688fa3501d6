"""Facts a person corrected by hand, deaths that two people record or take back, and proofs that the register equals its feed."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from screening.models.people import Person

CORRECTABLE = (
    "family_name", "given_names", "birth_date", "sex", "address_1", "address_2", "locality", "postcode", "phone", "email",
    "language",
)  # fmt: skip
"""What staff may correct; a date of death goes the way of two people."""


@pghistory.track(
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="FieldCorrectionHistory",
)
class FieldCorrection(models.Model):
    """One fact corrected by hand. It outlives every file until the register itself says something else than before."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="corrections")
    field = models.CharField(max_length=20, choices=[(c, c) for c in (*CORRECTABLE, "deceased_on")])
    value = models.CharField(max_length=120, blank=True)
    feed_value = models.CharField(max_length=120, blank=True)
    since = models.DateField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=200, blank=True, default="")
    ended_on = models.DateField(null=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["person", "field"],
                condition=Q(ended_on__isnull=True),
                name="one_open_correction_a_field",
            ),
            models.CheckConstraint(
                condition=Q(field__in=[*CORRECTABLE, "deceased_on"]), name="only_known_fields_are_corrected"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.field} of person {self.person_id}"


class DeathQuestion(models.Model):
    """A death reported by hand, or said to be an error: one person asks, another one decides."""

    class Kind(models.TextChoices):
        DIED = "died", _("has died")
        LIVES = "lives", _("lives: the death was reported in error")

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="death_questions")
    kind = models.CharField(_("what is said"), max_length=8, choices=Kind.choices)
    day = models.DateField(_("day of death"), null=True)
    source = models.CharField(_("how we know"), max_length=200)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True)
    agreed = models.BooleanField(null=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(decided_by__isnull=True) | ~Q(decided_by=F("asked_by")),
                name="a_death_is_decided_by_a_second_person",
            ),
            models.CheckConstraint(
                condition=Q(decided_by__isnull=True, decided_at__isnull=True, agreed__isnull=True)
                | Q(decided_by__isnull=False, decided_at__isnull=False, agreed__isnull=False),
                name="a_decision_on_a_death_is_whole",
            ),
            models.UniqueConstraint(
                fields=["person"],
                condition=Q(decided_by__isnull=True),
                name="one_open_question_of_death_a_person",
            ),
        ]

    def __str__(self) -> str:
        return f"person {self.person_id} {self.kind}"


class RegisterComparison(models.Model):
    """One whole comparison of the people with what the register last said about each of them."""

    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    people = models.IntegerField(_("people compared"))
    differing = models.IntegerField(_("people who differ"))
    lost = models.IntegerField(_("lines without a person"))
    corrected = models.IntegerField(_("facts kept against the register"))
    sample = models.JSONField(default=list)

    class Meta:
        ordering: ClassVar = ["-at"]

    def __str__(self) -> str:
        return f"{self.at}: {self.differing} of {self.people} differ"
