"""What goes into an envelope: letter and kit seen together, packs opened to check, contractors' files, serials in doubt."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from screening.models.kits import Batch, Kit
from screening.models.rounds import Round


class Manifest(models.Model):
    """A contractor's file about what was packed; the same file sent again is known by its checksum."""

    file_name = models.CharField(_("file"), max_length=120)
    sha256 = models.CharField(max_length=64, unique=True)
    lines = models.IntegerField(_("lines"))
    paired = models.IntegerField(_("right letter with right kit"), default=0)
    refused = models.IntegerField(_("refused"), default=0)
    known = models.IntegerField(_("known before"), default=0)
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-taken_at"]

    def __str__(self) -> str:
        return self.file_name


class Pack(models.Model):
    """One letter and one kit that were held together, and whether they belong together. Never changed."""

    class Verdict(models.TextChoices):
        PAIRED = "paired", _("right letter with right kit")
        MISPAIRED = "mispaired", _("letter and kit do not belong together")
        IN_DOUBT = "in_doubt", _("packed in a tray with a wrong pair")
        KIT_UNKNOWN = "kit_unknown", _("no kit with this serial is in the book")
        KIT_VOID = "kit_void", _("the kit may not be used any more")
        STOPPED = "stopped", _("the person may not be sent a kit as things stand")
        NOT_WAITING = "not_waiting", _("the round waits for no kit")
        OTHER_BATCH = "other_batch", _("the letter is of another batch")
        LETTER_UNKNOWN = "letter_unknown", _("no invitation has this token")

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, null=True, related_name="packs")
    round = models.ForeignKey(Round, on_delete=models.PROTECT, null=True, db_index=False)
    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, null=True, db_index=False)
    serial = models.CharField(_("kit"), max_length=20)
    letter = models.CharField(_("letter"), max_length=24, blank=True, default="")
    tray = models.CharField(_("tray"), max_length=20, blank=True, default="")
    nth = models.IntegerField(_("nth pack of its batch"), null=True)
    verdict = models.CharField(max_length=14, choices=Verdict.choices)
    posted_on = models.DateField(_("posted on"), null=True)
    manifest = models.ForeignKey(Manifest, on_delete=models.PROTECT, null=True, related_name="packs")
    line = models.IntegerField(_("line"), null=True)
    packed_at = models.DateTimeField()
    packed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        indexes: ClassVar = [models.Index(fields=["round"], name="pack_of_round")]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["kit"], condition=Q(verdict="paired"), name="a_kit_is_packed_once"
            ),
            models.UniqueConstraint(
                fields=["batch", "nth"], condition=Q(verdict="paired"), name="packs_of_a_batch_are_counted"
            ),
            models.CheckConstraint(
                condition=~Q(verdict="paired")
                | Q(batch__isnull=False, round__isnull=False, kit__isnull=False, nth__isnull=False),
                name="a_pack_has_letter_and_kit",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.letter} + {self.serial}: {self.verdict}"


class PackCheck(models.Model):
    """A sealed pack that was opened: what lay in it, and whether that was right."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="pack_checks")
    pack = models.ForeignKey(Pack, on_delete=models.PROTECT, related_name="checks")
    found = models.CharField(_("kit found in it"), max_length=20)
    right = models.BooleanField(_("right"))
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-at"]

    def __str__(self) -> str:
        return f"{self.found}: {self.right}"


class KitDoubt(models.Model):
    """A range of serials any of which may lie beside another person's letter; for good (nobody can tell them apart)."""

    first_serial = models.CharField(_("first serial"), max_length=20)
    last_serial = models.CharField(_("last serial"), max_length=20)
    why = models.CharField(_("why"), max_length=200)
    posted = models.BooleanField(_("they have left"), default=False)
    kits = models.IntegerField(_("kits set aside when they come"), default=0)
    people = models.IntegerField(_("people who get another kit"), default=0)
    back = models.IntegerField(_("kits that had come back before"), default=0)
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-opened_at"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(last_serial__gte=F("first_serial")), name="a_range_of_serials_runs_forwards"
            )
        ]

    def __str__(self) -> str:
        one = self.first_serial == self.last_serial
        return self.first_serial if one else f"{self.first_serial} to {self.last_serial}"
