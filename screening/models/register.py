"""Loads of the register feed: the file, its staged lines, and what became of each."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _


class RegisterLoad(models.Model):
    """One register file: staged and previewed, then applied, held or discarded."""

    class Status(models.TextChoices):
        STAGED = "staged", _("ready to apply")
        HELD = "held", _("held: it would change too much")
        REFUSED = "refused", _("refused")
        APPLIED = "applied", _("applied")
        DISCARDED = "discarded", _("discarded")

    file_name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64, db_index=True)
    status = models.CharField(max_length=10, choices=Status.choices)
    is_full = models.BooleanField(_("whole register"), default=False)
    held_reason = models.TextField(blank=True, default="")
    lines = models.IntegerField(default=0)
    refused = models.IntegerField(default=0)
    created = models.IntegerField(default=0)
    changed = models.IntegerField(default=0)
    unchanged = models.IntegerField(default=0)
    effect = models.JSONField(_("what changed"), default=dict)
    as_before = models.IntegerField(_("lines as in an earlier file"), default=0)
    missing = models.IntegerField(_("people without a line"), default=0)
    filled = models.JSONField(_("lines as before that say something, by column"), default=dict)
    memory = models.IntegerField(_("memory it was compared with"), null=True)
    staged_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    staged_at = models.DateTimeField()
    applied_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    applied_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=~models.Q(status="applied")
                | models.Q(applied_at__isnull=False, applied_by__isnull=False),
                name="applied_load_says_when_and_by_whom",
            ),
            models.UniqueConstraint(
                fields=["sha256"],
                condition=models.Q(status="applied"),
                name="a_register_file_is_applied_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.file_name} ({self.status})"


class RegisterMemory(models.Model):
    """The one memory of what each person's line said when it was last applied, as digests."""

    ONLY = 1

    version = models.IntegerField()
    rules = models.CharField(max_length=64)
    whole_on = models.DateField(_("last read line by line"))
    told = models.BinaryField(default=b"")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=models.Q(pk=1), name="there_is_one_register_memory")
        ]

    def __str__(self) -> str:
        return f"register memory {self.version}"


class RegisterDigests(models.Model):
    """The digests of the accepted lines of a file that waits to be applied."""

    load = models.OneToOneField(
        RegisterLoad, on_delete=models.CASCADE, related_name="digests", primary_key=True
    )
    told = models.BinaryField()

    def __str__(self) -> str:
        return f"digests of {self.load_id}"


class StagedPerson(models.Model):
    """One checked line of a staged register file, in the feed's own columns."""

    pk = models.CompositePrimaryKey("load_id", "line")
    load = models.ForeignKey(RegisterLoad, on_delete=models.CASCADE, db_index=False, db_constraint=False)
    line = models.IntegerField()
    person_number = models.CharField(max_length=32)
    family_name = models.CharField(max_length=120)
    given_names = models.CharField(max_length=120)
    name_key = models.CharField(max_length=240)
    birth_date = models.DateField(null=True)
    sex = models.CharField(max_length=8)
    address_1 = models.CharField(max_length=120)
    address_2 = models.CharField(max_length=120)
    locality = models.CharField(max_length=120)
    postcode = models.CharField(max_length=12)
    phone = models.CharField(max_length=24)
    email = models.CharField(max_length=120)
    language = models.CharField(max_length=12)
    area_code = models.CharField(max_length=12)
    practice_code = models.CharField(max_length=12)
    deceased_on = models.DateField(null=True)
    left_area_on = models.DateField(null=True)

    def __str__(self) -> str:
        return f"line {self.line}"


class RefusedLine(models.Model):
    """A line of a register file that was not taken, with the reason, so that nothing is lost."""

    load = models.ForeignKey(RegisterLoad, on_delete=models.CASCADE, related_name="refused_lines")
    line = models.IntegerField()
    code = models.CharField(max_length=32)
    sentence = models.TextField()
    raw = models.TextField()

    class Meta:
        ordering: ClassVar = ["line"]

    def __str__(self) -> str:
        return f"line {self.line}: {self.code}"
