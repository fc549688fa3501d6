"""Messages from analysers as they came, and readings typed twice by two people."""

from datetime import timedelta
from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.models.lab import Analyser, Reading, ReadingsFile, Run, Sample


class InboxMessage(models.Model):
    """One message from a line, kept raw, with its verdict in words; the same message twice is answered alike."""

    class Channel(models.TextChoices):
        MLLP = "hl7_mllp", _("HL7 over MLLP")
        LIS1 = "lis2_lis1", _("LIS2 over LIS1")

    class Verdict(models.TextChoices):
        MATCHED = "matched", _("matched")
        WAITING = "waiting", _("waiting")
        REFUSED = "refused", _("refused")

    at = models.DateTimeField()
    channel = models.CharField(max_length=10, choices=Channel.choices)
    content = models.BinaryField()
    sha256 = models.CharField(max_length=64)
    trouble = models.CharField(max_length=20, blank=True, default="")
    sender = models.CharField(max_length=200, blank=True, default="")
    control_id = models.CharField(max_length=200, blank=True, default="")
    analyser = models.ForeignKey(Analyser, on_delete=models.PROTECT, null=True, related_name="messages")
    file = models.OneToOneField(ReadingsFile, on_delete=models.PROTECT, null=True, related_name="message")
    verdict = models.CharField(max_length=8, choices=Verdict.choices)
    sentence = models.TextField()
    times = models.IntegerField(_("times received"), default=1)
    settled_note = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["-at", "-pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["sha256", "channel", "trouble"], name="one_row_per_message"),
            models.CheckConstraint(
                condition=~Q(verdict="matched") | Q(file__isnull=False), name="matched_message_has_its_lines"
            ),
        ]
        indexes: ClassVar = [
            models.Index(
                fields=["at"], condition=~Q(verdict="matched") & Q(settled_note=""), name="message_unsettled"
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_channel_display()} {self.control_id}: {self.get_verdict_display()}"


class TypedReading(models.Model):
    """A reading typed from a display: first by one person, then blind by another; both are kept whatever they say."""

    class State(models.TextChoices):
        FIRST = "first", _("waits for the second entry")
        AGREED = "agreed", _("both entries agree")
        DIFFERS = "differs", _("the entries differ")

    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="typed")
    sample = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="typed")
    running_number = models.IntegerField(_("running number"), null=True)
    raw = models.CharField(max_length=40)
    flag = models.CharField(max_length=40, blank=True, default="")
    dilution = models.SmallIntegerField(_("diluted 1 to"), default=1)
    typed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    typed_at = models.DateTimeField()
    state = models.CharField(max_length=8, choices=State.choices, default=State.FIRST)
    again_raw = models.CharField(max_length=40, blank=True, default="")
    again_flag = models.CharField(max_length=40, blank=True, default="")
    again_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    again_at = models.DateTimeField(null=True)
    reading = models.OneToOneField(Reading, on_delete=models.PROTECT, null=True, related_name="typed")

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["sample"], condition=Q(state="first"), name="one_open_typed_reading_a_sample"
            ),
            models.CheckConstraint(
                condition=Q(again_by__isnull=True)
                | ~Q(again_by=F("typed_by"))
                | Q(again_at__gte=F("typed_at") + timedelta(minutes=30)),
                name="typed_again_by_another_or_after_half_an_hour",
            ),
            models.CheckConstraint(
                condition=Q(state="first") | Q(again_by__isnull=False), name="typed_pair_has_its_second"
            ),
            models.CheckConstraint(
                condition=Q(reading__isnull=True) | Q(state="agreed"), name="typed_reading_needs_agreement"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.sample}: {self.raw}"
