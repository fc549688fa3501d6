"""The safety net's own books: balanced ledgers, waiting lists by night, what was settled, seals, and restore drills."""

import hashlib
from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from oversight.models.proofs import ProofRun


class LedgerCount(models.Model):
    """One part of a ledger on one night: how many there are, and how many ever came into it and went out; append-only.

    What came in since the night before is the difference of the two totals, so nothing hangs on a clock or a number.
    """

    run = models.ForeignKey(ProofRun, on_delete=models.PROTECT, related_name="ledgers")
    ledger = models.CharField(max_length=12)
    part = models.CharField(max_length=60)
    counted = models.BigIntegerField()
    came = models.BigIntegerField()
    went = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["run", "ledger", "part"], name="one_count_a_part_and_run")
        ]

    def __str__(self) -> str:
        return f"{self.ledger} {self.part}: {self.counted}"


class NetCount(models.Model):
    """How one list of “Nobody falls through” stood in one run; append-only."""

    run = models.ForeignKey(ProofRun, on_delete=models.PROTECT, related_name="net")
    name = models.CharField(max_length=24)
    checked = models.BigIntegerField()
    waiting = models.IntegerField()
    without_owner = models.IntegerField()
    settled = models.IntegerField()
    oldest_days = models.IntegerField(null=True)
    seconds = models.FloatField()
    rows = models.JSONField(default=list)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["run", "name"], name="one_count_a_list_and_run")
        ]

    def __str__(self) -> str:
        return f"{self.name}: {self.waiting}"


class Settlement(models.Model):
    """An entry of a list settled with evidence until a day, on which it comes back (R18); append-only, nothing is dismissed."""

    name = models.CharField(_("list"), max_length=24)
    thing = models.CharField(max_length=12)
    thing_id = models.BigIntegerField()
    since = models.DateField(null=True)
    evidence = models.TextField(_("what was found and done"))
    document = models.CharField(_("document, reference"), max_length=80, blank=True, default="")
    until = models.DateField(_("look again on"))
    settled_on = models.DateField()
    settled_at = models.DateTimeField()
    settled_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        indexes: ClassVar = [models.Index(fields=["name", "thing_id", "until"], name="settlement_of_entry")]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(evidence=""), name="settled_on_evidence"),
            models.CheckConstraint(condition=Q(until__gt=F("settled_on")), name="settled_until_a_later_day"),
        ]

    def __str__(self) -> str:
        return f"{self.name}: {self.thing} {self.thing_id} until {self.until}"


class Seal(models.Model):
    """The seal of one night, or a part of one: a digest over the rows that no seal covered, chained to the one before; append-only.

    A first seal over years of history comes in parts; the last part of a day is `whole`. `tables` says of each table its columns,
    the seal that began with them, how many rows were sealed, the highest number, and the numbers below it that were not there.
    """

    day = models.DateField()
    part = models.SmallIntegerField(default=1, db_default=1)
    whole = models.BooleanField(default=True, db_default=True)
    made_at = models.DateTimeField()
    rows = models.BigIntegerField()
    tables = models.JSONField()
    snapshot = models.TextField()
    before = models.CharField(max_length=64, blank=True)
    digest = models.CharField(max_length=64, unique=True)
    signature = models.CharField(max_length=64)
    seconds = models.FloatField()

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["day", "part"], name="one_seal_a_day_and_part"),
            models.UniqueConstraint(
                fields=["day"], condition=Q(whole=True), name="a_day_is_sealed_whole_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.day}: {self.digest[:12]}"


class SealBlock(models.Model):
    """Rows of one table sealed together: the digest of all, and for each its place and eight bytes of its own digest."""

    seal = models.ForeignKey(Seal, on_delete=models.PROTECT, related_name="blocks")
    name = models.CharField(max_length=63)
    first = models.BigIntegerField()
    rows = models.IntegerField()
    digest = models.BinaryField(max_length=32)
    marks = models.BinaryField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["name", "first", "seal"], name="one_block_a_range_and_seal")
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.first}: {self.rows}"


class AgedOut(models.Model):
    """Rows of a sealed table that were deleted after their time; append-only, and signed as a seal is.

    `ids` is a multirange of their numbers: the seal of a row among them need no longer find it.
    """

    name = models.CharField(max_length=63)
    before = models.DateField()
    ids = models.TextField()
    rows = models.BigIntegerField()
    seal = models.ForeignKey(Seal, on_delete=models.PROTECT, related_name="+")
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    agreed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    signature = models.CharField(max_length=64)

    class Meta:
        ordering: ClassVar = ["-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(asked_by=F("agreed_by")), name="aged_out_by_two_people"),
        ]

    def __str__(self) -> str:
        return f"{self.rows} of {self.name} before {self.before}"

    def digest(self) -> str:
        """What is signed: which rows of which table, by whom, after which seal."""
        told = (
            self.name,
            self.before,
            self.ids,
            self.rows,
            self.seal_id,
            self.asked_by_id,
            self.agreed_by_id,
        )
        return hashlib.sha256("|".join(map(str, told)).encode()).hexdigest()


class AgeingAsked(models.Model):
    """Somebody asks that the entries of a table before a day go, and another person agrees; a worker then lets them go.

    It holds as long as that day is the one before which entries are past their time, so for a month. `refused` says why the
    worker could not, when it tried last. What went is an `AgedOut`.
    """

    name = models.CharField(max_length=63)
    before = models.DateField()
    rows = models.BigIntegerField()
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    agreed_at = models.DateTimeField(null=True)
    agreed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    tried_on = models.DateField(null=True)
    refused = models.CharField(max_length=300, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["name", "before"], name="asked_once_what_is_past_its_time"),
            models.CheckConstraint(condition=~Q(asked_by=F("agreed_by")), name="let_go_by_a_second_person"),
            models.CheckConstraint(
                condition=Q(agreed_at=None, agreed_by=None)
                | Q(agreed_at__isnull=False, agreed_by__isnull=False),
                name="agreed_says_by_whom_and_when",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.rows} of {self.name} before {self.before}"


class RestoreDrill(models.Model):
    """A backup restored beside the registry, what the proof found in it, and whether its ledgers were ours; append-only."""

    class Kind(models.TextChoices):
        DUMP = "dump", _("dump of the database")
        BASE = "base", _("copy of the whole server")

    kind = models.CharField(max_length=4, choices=Kind.choices)
    taken_at = models.DateTimeField(_("backup taken at"))
    checks = models.IntegerField()
    violated = models.JSONField(default=list)
    ledgers_equal = models.BooleanField()
    differences = models.JSONField(default=list)
    seal = models.CharField(max_length=64, blank=True, default="")
    noted_at = models.DateTimeField()
    noted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["-pk"]

    def __str__(self) -> str:
        return f"{self.kind} of {self.taken_at}"


class Paper(models.Model):
    """A document made every night and kept: the signed statement, the continuity pack; append-only."""

    class Kind(models.TextChoices):
        STATEMENT = "statement", _("nightly statement")
        CONTINUITY = "continuity", _("continuity pack")

    kind = models.CharField(max_length=10, choices=Kind.choices)
    day = models.DateField()
    made_at = models.DateTimeField()
    pages = models.SmallIntegerField()
    sha256 = models.CharField(max_length=64)
    content = models.BinaryField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kind", "day"], name="one_paper_a_kind_and_day")
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.day}"
