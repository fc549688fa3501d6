"""The access journal: who looked at or found which person, when, and for what."""

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _


class Purpose(models.TextChoices):
    """Why a person's record was opened."""

    WORKLIST = "worklist", _("From today's work list")
    CALL = "call", _("The person or their doctor called")
    SEARCH = "search", _("Found by searching")
    CHECK = "check", _("Checking or correcting a record")
    EXPORT = "export", _("Printed or exported")


class AccessEntry(models.Model):
    """One look at one person; appended in the transaction that reads, never changed.

    The table is partitioned by month (see the first migration), so Django does not manage it.
    """

    at = models.DateTimeField()
    user_id = models.BigIntegerField()
    person_id = models.BigIntegerField()
    purpose = models.CharField(max_length=12, choices=Purpose.choices)
    place = models.CharField(max_length=80)

    class Meta:
        managed = False
        db_table = "staff_accessentry"
        ordering: ClassVar = ["-at"]

    def __str__(self) -> str:
        return f"{self.user_id} looked at {self.person_id}"
