"""How a person wants to hear from us, which desk opens whose post, and letter texts written here."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from outreach.models.letters import Form
from screening.models import Area, Person
from staff.models import Site


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="WishHistory",
)
class Wish(models.Model):
    """How one person reads best, and the ways beside the post to which the person agreed, since when and how we know."""

    person = models.OneToOneField(Person, on_delete=models.PROTECT, related_name="wish")
    form = models.CharField(
        _("how the person reads best"), max_length=8, choices=Form.choices, default=Form.STANDARD
    )
    text_since = models.DateField(_("text messages agreed on"), null=True, blank=True)
    email_since = models.DateField(_("e-mail agreed on"), null=True, blank=True)
    source = models.CharField(_("how we know"), max_length=120, blank=True, default="")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(text_since__isnull=True, email_since__isnull=True) | ~Q(source=""),
                name="agreement_says_how_we_know",
            ),
            models.CheckConstraint(condition=Q(form__in=Form.values), name="form_is_known"),
        ]

    def __str__(self) -> str:
        return f"wishes of person {self.person_id}"


@pghistory.track(
    pghistory.InsertEvent(level=pgtrigger.Statement),
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    pghistory.DeleteEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="AreaDeskHistory",
)
class AreaDesk(models.Model):
    """The desk that opens the post of an area; an area without one may have its kits at any desk."""

    area = models.OneToOneField(Area, on_delete=models.CASCADE, related_name="desk")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.area}: {self.site}"


class LetterText(models.Model):
    """A version of a letter's words written here: draft, then approved by a second person, in force from a day."""

    kind = models.CharField(max_length=24)
    number = models.SmallIntegerField()
    shared = models.SmallIntegerField(default=1)
    words = models.TextField(_("words"))
    valid_from = models.DateField(_("in force from"), null=True, blank=True)
    why = models.CharField(_("what changed and why"), max_length=200)
    proposed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    proposed_at = models.DateTimeField()
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True)

    class Meta:
        ordering: ClassVar = ["kind", "-number"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kind", "number"], name="letter_texts_in_order"),
            models.UniqueConstraint(
                fields=["kind"], condition=Q(approved_by__isnull=True), name="one_draft_a_kind"
            ),
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True, approved_at__isnull=True)
                | Q(approved_by__isnull=False, approved_at__isnull=False, valid_from__isnull=False),
                name="approved_text_says_when_and_from",
            ),
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True) | ~Q(approved_by=F("proposed_by")),
                name="text_is_approved_by_another",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind}-{self.number}"
