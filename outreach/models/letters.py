"""Letters and the to-do rows that ask for them."""

from typing import ClassVar

from django.contrib.postgres.indexes import BrinIndex
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from results.models import Referral, Result
from screening.models import Kit, Person, Practice, Protocol, Round
from staff.models import Move, Site, Subject


class Form(models.TextChoices):
    """How a person likes to read."""

    STANDARD = "standard", _("standard")
    EASY = "easy", _("easy-read, with pictures")
    LARGE = "large", _("large print")


class OutreachPolicy(models.Model):
    """Reminders, landing days and channels: the outreach part of a protocol."""

    CARRIED = True
    """A new protocol takes this section over from the one before."""

    protocol = models.OneToOneField(Protocol, on_delete=models.PROTECT, related_name="outreach")
    advance_days = models.SmallIntegerField(_("days of advance notice; 0: none"), default=0, db_default=0)
    reminder_days = models.SmallIntegerField(_("days until the reminder"), default=28)
    second_reminder_days = models.SmallIntegerField(
        _("days until the second contact; 0: none"), default=56, db_default=56
    )
    below_working_days = models.SmallIntegerField(_("working days for a letter below"), default=5)
    no_landing_weekdays = models.JSONField(
        _("weekdays on which no at-or-above letter may land"), default=list
    )
    post_days = models.SmallIntegerField(_("days a letter travels"), default=2)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(reminder_days__range=(21, 42)), name="reminder_day_is_plausible"
            ),
            models.CheckConstraint(
                condition=Q(second_reminder_days=0) | Q(second_reminder_days__range=(43, 80)),
                name="second_reminder_comes_after_the_first",
            ),
            models.CheckConstraint(
                condition=Q(advance_days__range=(0, 30)), name="advance_notice_is_plausible"
            ),
        ]

    def __str__(self) -> str:
        return f"outreach section of {self.protocol}"


class Letter(Subject):
    """One letter owed to one recipient; frozen with its text version, context and checksum."""

    class Recipient(models.TextChoices):
        PERSON = "person", _("the person")
        DOCTOR = "doctor", _("the doctor")
        SITE = "site", _("a unit")
        PROGRAMME = "programme", _("another programme")

    class Channel(models.TextChoices):
        POST = "post", _("post")
        TEXT = "text", _("text message")
        EMAIL = "email", _("e-mail")

    kind = models.CharField(max_length=24)
    recipient = models.CharField(max_length=10, choices=Recipient.choices, default=Recipient.PERSON)
    channel = models.CharField(max_length=6, choices=Channel.choices, default=Channel.POST, db_default="post")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="letters", db_index=False)
    practice = models.ForeignKey(Practice, on_delete=models.PROTECT, null=True, db_index=False)
    round = models.ForeignKey(
        Round, on_delete=models.PROTECT, null=True, related_name="letters", db_index=False
    )
    kit = models.ForeignKey(Kit, on_delete=models.PROTECT, null=True, related_name="letters")
    result = models.ForeignKey(
        Result, on_delete=models.PROTECT, null=True, related_name="letters", db_index=False
    )
    referral = models.ForeignKey(
        Referral, on_delete=models.PROTECT, null=True, related_name="letters", db_index=False
    )
    key = models.CharField(max_length=80)
    not_before = models.DateField(null=True)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, db_index=False)
    subject_id = models.BigIntegerField(null=True)
    """What it speaks of, where that is no round or result: a booking, an examination, a stop, a request."""
    asked = models.TextField(blank=True, default="", db_default="")
    """What the office wrote down when it asked for the letter: the answer to a request."""
    language = models.CharField(max_length=12, blank=True, default="")
    form = models.CharField(max_length=8, choices=Form.choices, default=Form.STANDARD, db_default="standard")
    text_version = models.CharField(max_length=40, blank=True, default="")
    context = models.JSONField(null=True)
    checksum = models.CharField(max_length=64, blank=True, default="")

    class Meta:
        indexes: ClassVar = [
            models.Index(
                fields=["state", "kind", "due_on"],
                condition=Q(state__in=["owed", "held", "frozen", "printed"]),
                name="letter_waiting",
            ),
            models.Index(fields=["person"], name="letter_of_person"),
            models.Index(fields=["result"], condition=Q(result__isnull=False), name="letter_of_result"),
            models.Index(fields=["referral"], condition=Q(referral__isnull=False), name="letter_of_referral"),
            models.Index(fields=["round"], name="letter_of_round"),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["key"], name="a_letter_is_owed_once"),
            models.CheckConstraint(
                condition=Q(state__in=["", "owed", "held", "cancelled", "superseded"])
                | ~Q(text_version="") & ~Q(checksum="") & Q(context__isnull=False),
                name="frozen_letter_keeps_its_words",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} to {self.recipient}"


class LetterMove(Move):
    """The ledger of letters."""

    subject = models.ForeignKey(Letter, on_delete=models.PROTECT, related_name="moves", db_index=False)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["subject", "seq"], name="letter_moves_in_order")
        ]
        indexes: ClassVar = [BrinIndex(fields=["recorded_at"], name="letter_moves_by_moment")]

    def __str__(self) -> str:
        return f"{self.event} → {self.to_state}"


class LetterTodo(models.Model):
    """A move of a round or kit that may ask for a letter; written by the ledger's feed, deleted by the planner."""

    source = models.CharField(max_length=12)
    subject_id = models.BigIntegerField()
    event = models.CharField(max_length=24)
    reason = models.CharField(max_length=40, blank=True, default="")

    def __str__(self) -> str:
        return f"{self.source} {self.subject_id}: {self.event}"


class LetterDate(models.Model):
    """A day on which something falls due: written by the planner when the move comes, taken when the day comes."""

    what = models.CharField(max_length=24)
    subject_id = models.BigIntegerField()
    on = models.DateField()

    class Meta:
        indexes: ClassVar = [models.Index(fields=["on"], name="letter_dates_by_day")]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["what", "subject_id"], name="one_day_for_each_thing")
        ]

    def __str__(self) -> str:
        return f"{self.what} {self.subject_id}: {self.on}"


class PlannedDay(models.Model):
    """A calendar day whose people were looked at once: the feed of dates that no ledger holds."""

    feed = models.CharField(max_length=24)
    day = models.DateField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["feed", "day"], name="a_day_is_planned_once")
        ]

    def __str__(self) -> str:
        return f"{self.feed} {self.day}"


class PrintRun(models.Model):
    """One print run: one document, its manifest, and its hand-over to the post."""

    class Status(models.TextChoices):
        COLLECTING = "collecting", _("being made")
        READY = "ready", _("ready to print")
        HANDED_OVER = "handed_over", _("handed over")
        EMPTY = "empty", _("empty")

    number = models.CharField(_("number"), max_length=20, unique=True)
    kind = models.CharField(max_length=24, blank=True, default="")
    status = models.CharField(max_length=12, choices=Status.choices, default=Status.COLLECTING)
    made_on = models.DateField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, related_name="+")
    letters_count = models.IntegerField(default=0)
    pages_count = models.IntegerField(default=0)
    sha256 = models.CharField(max_length=64, blank=True, default="")
    lease_until = models.DateTimeField(null=True)
    attempts = models.SmallIntegerField(default=0)
    handed_over_at = models.DateTimeField(null=True)
    handed_over_by = models.ForeignKey("staff.User", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering: ClassVar = ["-made_at"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=~Q(status="handed_over")
                | Q(handed_over_at__isnull=False, handed_over_by__isnull=False),
                name="handed_over_run_says_when_and_by_whom",
            )
        ]

    def __str__(self) -> str:
        return self.number


class PrintedLetter(models.Model):
    """One letter's place in a print run, with the token printed on each of its pages.

    `pulled` says why its paper was taken out before hand-over; only then may the letter be printed again.
    """

    print_run = models.ForeignKey(PrintRun, on_delete=models.PROTECT, related_name="printed")
    letter = models.ForeignKey(Letter, on_delete=models.PROTECT, related_name="printed")
    position = models.IntegerField()
    first_page = models.IntegerField(null=True)
    pages = models.SmallIntegerField(null=True)
    token = models.CharField(max_length=16)
    pulled = models.CharField(max_length=40, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["position"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["letter"], condition=Q(pulled=""), name="a_letter_is_in_one_print_run"
            ),
            models.UniqueConstraint(fields=["print_run", "position"], name="positions_in_a_print_run"),
        ]

    def __str__(self) -> str:
        return f"{self.print_run} {self.position}"


class PrintDocument(models.Model):
    """The document of a print run, kept as it was printed."""

    print_run = models.OneToOneField(PrintRun, on_delete=models.PROTECT, related_name="document")
    content = models.BinaryField()

    def __str__(self) -> str:
        return f"document of {self.print_run}"
