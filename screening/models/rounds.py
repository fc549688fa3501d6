"""Rounds: one person's passage through one screening cycle."""

from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from screening.models.kits import Batch
from screening.models.people import Area, Person, Sex
from screening.models.protocols import Protocol
from staff.models import Move, Subject


class Round(Subject):
    """One round of one person, with what was true at invitation kept beside it."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="rounds", db_index=False)
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, null=True, related_name="rounds")
    protocol = models.ForeignKey(Protocol, on_delete=models.PROTECT, db_index=False)
    nth = models.SmallIntegerField(_("nth round"), default=1)
    invited_on = models.DateField(_("invited on"))
    dispatched_on = models.DateField(_("first kit handed to the post on"), null=True)
    sex_at_invitation = models.CharField(max_length=8, choices=Sex.choices)
    age_at_invitation = models.SmallIntegerField(null=True)
    area = models.ForeignKey(Area, on_delete=models.PROTECT, null=True, db_index=False)
    deprivation_fifth = models.SmallIntegerField(null=True)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["person", "invited_on"], name="round_of_person"),
            models.Index(fields=["invited_on"], name="round_by_invitation"),
            models.Index(fields=["state", "due_on"], condition=~Q(state="closed"), name="round_open_by_date"),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["person"],
                condition=Q(state__in=["", "kit_due", "kit_out", "result_due", "follow_up"]),
                name="one_open_round_a_person",
            ),
            models.CheckConstraint(
                condition=Q(state="closed", closed_at__isnull=False) & ~Q(close_reason="")
                | ~Q(state="closed") & Q(closed_at__isnull=True, close_reason=""),
                name="round_closed_has_reason_and_date",
            ),
        ]

    def __str__(self) -> str:
        return f"round {self.nth} of person {self.person_id}"


class RoundMove(Move):
    """The ledger of rounds."""

    subject = models.ForeignKey(Round, on_delete=models.PROTECT, related_name="moves", db_index=False)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["subject", "seq"], name="round_moves_in_order")
        ]

    def __str__(self) -> str:
        return f"{self.event} → {self.to_state}"
