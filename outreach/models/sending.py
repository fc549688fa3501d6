"""What leaves beside a print run's own paper: messages, reprints and files for the contractor."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from outreach.models.letters import Letter, PrintRun


class Message(models.Model):
    """One text message or e-mail: claimed before it is given to the carrier, so that it is never given twice."""

    letter = models.OneToOneField(Letter, on_delete=models.PROTECT, related_name="message")
    channel = models.CharField(max_length=6)
    to = models.CharField(max_length=160)
    reference = models.CharField(max_length=40)
    claimed_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True)
    bounced_at = models.DateTimeField(null=True)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["claimed_at"], condition=Q(sent_at__isnull=True), name="message_on_its_way")
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["reference"], name="a_message_has_its_own_reference")
        ]

    def __str__(self) -> str:
        return self.reference


class Reprint(models.Model):
    """Places of a print run printed once more from the same frozen words, with why; append-only."""

    class Reason(models.TextChoices):
        JAM = "jam", _("the printer jammed")
        DAMAGED = "damaged", _("paper damaged at the sealing desk")
        LOST = "lost", _("paper lost before the hand-over")
        FAULT = "fault", _("misprint")

    print_run = models.ForeignKey(PrintRun, on_delete=models.PROTECT, related_name="reprints")
    first = models.IntegerField(_("first place"))
    last = models.IntegerField(_("last place"))
    reason = models.CharField(_("why"), max_length=8, choices=Reason.choices)
    destroyed = models.BooleanField(_("the first papers are destroyed"), default=False)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    agreed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["-asked_at"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(first__gte=1, last__gte=models.F("first")), name="reprint_range_is_in_order"
            ),
            models.CheckConstraint(
                condition=Q(agreed_by__isnull=True) | ~Q(agreed_by=models.F("asked_by")),
                name="reprint_is_agreed_by_another",
            ),
            models.CheckConstraint(condition=Q(destroyed=True), name="reprint_follows_destruction"),
        ]

    def __str__(self) -> str:
        return f"{self.print_run} {self.first}-{self.last}"


class ContractorFile(models.Model):
    """A print run as it was given to a contractor: one file at a time; a new one names the one it replaces."""

    print_run = models.ForeignKey(PrintRun, on_delete=models.PROTECT, related_name="files")
    file_id = models.CharField(max_length=32)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    sha256 = models.CharField(max_length=64)
    replaces = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="replaced_by")
    reason = models.CharField(_("why a new file"), max_length=200, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["-pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["file_id"], name="a_file_id_is_used_once"),
            models.UniqueConstraint(
                fields=["print_run"], condition=Q(replaces__isnull=True), name="a_run_has_one_first_file"
            ),
            models.CheckConstraint(
                condition=Q(replaces__isnull=True) | ~Q(reason=""), name="a_second_file_says_why"
            ),
        ]

    def __str__(self) -> str:
        return self.file_id
