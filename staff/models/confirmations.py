"""Accounts that somebody answers for: whoever confirmed that a person still works here and still needs the roles held."""

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from staff.models.users import User


class AccountConfirmation(models.Model):
    """The manager or an administrator confirmed somebody else's live account on one local day. Never changed."""

    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="confirmations", db_index=False)
    on = models.DateField()
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    words = models.CharField(_("note"), max_length=200, blank=True, default="")

    class Meta:
        ordering: ClassVar = ["pk"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["user", "on", "by"], name="one_confirmation_a_day_and_person"),
            models.CheckConstraint(condition=~Q(user=F("by")), name="nobody_confirms_the_own_account"),
        ]

    def __str__(self) -> str:
        return f"{self.user_id} on {self.on}"
