"""Programs that connect: each client with its one token, how much it asks, and the answers kept for repeated requests."""

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from staff.models.users import User


class ApiClient(models.Model):
    """A program of a hospital, laboratory or ministry; it acts as a user of its own, with one role at one site or at all."""

    user = models.OneToOneField(User, on_delete=models.PROTECT, related_name="api_client")
    about = models.CharField(_("which system, and whom to call"), max_length=200)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["pk"]

    def __str__(self) -> str:
        return str(self.user)


class ApiToken(models.Model):
    """A token of a client: only its digest is kept. One live token a client; a new one revokes the one before."""

    client = models.ForeignKey(ApiClient, on_delete=models.PROTECT, related_name="tokens")
    digest = models.CharField(max_length=64, unique=True)
    hint = models.CharField(_("begins with"), max_length=12)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    expires_at = models.DateTimeField(_("expires"))
    revoked_at = models.DateTimeField(_("revoked"), null=True)
    revoked_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering: ClassVar = ["-pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["client"], condition=Q(revoked_at__isnull=True), name="one_live_token_a_client"
            ),
            models.CheckConstraint(condition=Q(expires_at__gt=F("made_at")), name="token_expires_after_it_is_made"),
            models.CheckConstraint(
                condition=Q(revoked_at__isnull=True, revoked_by__isnull=True)
                | Q(revoked_at__isnull=False, revoked_by__isnull=False),
                name="revoked_token_says_by_whom",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.hint}…"


class ApiUse(models.Model):
    """How many requests a token made in its latest minute, and ever."""

    token = models.OneToOneField(ApiToken, on_delete=models.CASCADE, primary_key=True, related_name="use")
    minute = models.DateTimeField()
    used = models.IntegerField()
    total = models.BigIntegerField()

    def __str__(self) -> str:
        return f"{self.used} in {self.minute}"


class KeptAnswer(models.Model):
    """The answer to one request with its `Idempotency-Key`, written in the transaction that did what was asked."""

    client = models.ForeignKey(ApiClient, on_delete=models.CASCADE, related_name="answers", db_index=False)
    key = models.CharField(max_length=100)
    digest = models.CharField(max_length=64)
    status = models.SmallIntegerField(default=0)
    body = models.TextField(default="")
    headers = models.JSONField(default=dict)
    at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["client", "key"], name="one_answer_a_key"),
        ]
        indexes: ClassVar = [models.Index(fields=["at"], name="kept_answer_by_age")]

    def __str__(self) -> str:
        return f"{self.key}: {self.status}"
