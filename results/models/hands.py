"""Who is away, and to whom their referrals go meanwhile."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.models.referrals import Referral
from staff.roles import Pool


class Absence(models.Model):
    """Days on which somebody is not at work; only the last day may be corrected, and each correction says who."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="absences")
    since = models.DateField(_("first day away"))
    until = models.DateField(_("last day away"), null=True)
    planned = models.BooleanField(default=False)
    note = models.CharField(_("note"), max_length=200, blank=True, default="")
    noted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    noted_at = models.DateTimeField()
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["since", "pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(until__isnull=True) | Q(until__gte=F("since") - 1),
                name="absence_ends_after_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user} {self.since} – {self.until or ''}"


class HandOver(models.Model):
    """What is handed over for an absence: to a colleague or to everybody, all referrals or the chosen ones."""

    absence = models.ForeignKey(Absence, on_delete=models.PROTECT, related_name="hand_overs")
    to = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    pool = models.CharField(max_length=20, choices=Pool.choices, blank=True, default="")
    whole = models.BooleanField(_("everything held on the first day"), default=True)
    note = models.TextField(_("for the deputy"), blank=True, default="")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    begun_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)

    class Meta:
        ordering: ClassVar = ["-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(to__isnull=True) & ~Q(pool="") | Q(to__isnull=False, pool=""),
                name="hand_over_goes_to_one_pair_of_hands",
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["absence"], condition=Q(ended_at__isnull=True), name="hand_over_running"),
        ]

    def __str__(self) -> str:
        return f"hand-over {self.pk}"


class HandOverLine(models.Model):
    """One referral of a hand-over: chosen, moved to the deputy, and given back."""

    hand_over = models.ForeignKey(HandOver, on_delete=models.PROTECT, related_name="lines", db_index=False)
    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="hand_over_lines")
    moved_at = models.DateTimeField(null=True)
    back_at = models.DateTimeField(null=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["hand_over", "referral"], name="a_referral_once_a_hand_over"),
            models.CheckConstraint(
                condition=Q(back_at__isnull=True) | Q(moved_at__isnull=False),
                name="given_back_only_after_it_was_moved",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.hand_over}: {self.referral}"
