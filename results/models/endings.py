"""The written end of a referral: the signed next step, and the evidence it was closed on."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from results.models.referrals import FindingClass, Referral


class NextStep(models.Model):
    """The signed next step: the only thing that sets a person's next date after a referral (R9); append-only."""

    class Step(models.TextChoices):
        SCREENING = "screening", _("back to screening")
        SURVEILLANCE = "surveillance", _("surveillance colonoscopy")
        TREATMENT = "treatment", _("treatment")
        NO_FURTHER = "no_further", _("no further screening")

    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="next_steps")
    finding = models.CharField(max_length=20, choices=FindingClass.choices)
    histology = models.TextField(_("histology, in words"), blank=True, default="")
    step = models.CharField(_("next step"), max_length=12, choices=Step.choices)
    on = models.DateField(_("on"), null=True)
    words = models.TextField(_("in words"))
    computed = models.ForeignKey(
        "results.FindingComputed", on_delete=models.PROTECT, null=True, related_name="signed", db_index=False
    )
    deviation = models.TextField(_("why it differs from the proposal"), blank=True, default="")
    signed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    signed_on = models.DateField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(step__in=["treatment", "no_further"]) | Q(on__isnull=False),
                name="next_step_has_its_date",
            ),
            models.CheckConstraint(condition=~Q(words=""), name="next_step_is_written"),
        ]

    def __str__(self) -> str:
        return f"{self.step} {self.on or ''}"


class ClosingEvidence(models.Model):
    """What a referral was closed on: who, second person, document, note; append-only."""

    class Refusal(models.TextChoices):
        UNWILLING = "unwilling", _("does not want the examination or its preparation")
        DOUBTS = "doubts", _("believes the result is wrong or has another cause")
        ILLNESS = "illness", _("another illness comes first")
        PRACTICAL = "practical", _("practical: work, care for others, the way")
        FEAR = "fear", _("afraid of the examination or of what it may find")
        OTHER = "other", _("something else, in the note")

    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="evidence")
    reason = models.CharField(max_length=40)
    document = models.CharField(_("document, reference"), max_length=80, blank=True, default="")
    note = models.TextField(_("note"), blank=True, default="")
    refusal = models.CharField(
        _("why the person declines"),
        max_length=12,
        choices=Refusal.choices,
        blank=True,
        default="",
        db_default="",
    )
    next_step = models.ForeignKey(NextStep, on_delete=models.PROTECT, null=True)
    clinician = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    second_person = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    closed_on = models.DateField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(second_person__isnull=True) | ~Q(second_person=models.F("closed_by")),
                name="second_person_is_another",
            ),
            models.CheckConstraint(
                condition=Q(reason="next_step_signed", next_step__isnull=False)
                | Q(
                    reason__in=["informed_refusal", "unfit_for_good", "surveillance_ended"],
                    clinician__isnull=False,
                )
                & ~Q(note="")
                | Q(reason__in=["already_examined", "examined_elsewhere"], clinician__isnull=False)
                & ~Q(document="")
                | Q(reason="not_reached", second_person__isnull=False)
                | Q(reason="transferred") & ~Q(document="")
                | Q(reason="result_withdrawn", clinician__isnull=False)
                | Q(reason="died"),
                name="closing_holds_what_its_reason_demands",
            ),
            models.CheckConstraint(
                condition=Q(refusal="") | Q(reason="informed_refusal"),
                name="only_a_refusal_has_a_reason_of_its_own",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.reason} on {self.closed_on}"


class ReOffer(models.Model):
    """A refusal, or a person who could not be reached, closes nothing for good: on this day the examination is offered again.

    An open row with its own date and owner (R18), answered once.
    """

    class Answer(models.TextChoices):
        WANTS = "wants", _("wants the examination now")
        DECLINES = "declines", _("still declines")
        NOT_REACHED = "not_reached", _("not reached this time")
        SETTLED = "settled", _("no longer needed")

    evidence = models.ForeignKey(ClosingEvidence, on_delete=models.PROTECT, related_name="re_offers")
    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="re_offers")
    months = models.SmallIntegerField(_("months after closing"))
    due_on = models.DateField(_("due"))
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    answer = models.CharField(max_length=12, choices=Answer.choices, blank=True, default="")
    note = models.TextField(_("note"), blank=True, default="")
    answered_on = models.DateField(null=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["due_on", "id"], condition=Q(answer=""), name="re_offer_open_by_day")
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["evidence", "months"], name="a_re_offer_once_a_closing"),
            models.CheckConstraint(
                condition=Q(answer="", answered_on__isnull=True, answered_by__isnull=True)
                | ~Q(answer="") & Q(answered_on__isnull=False, answered_by__isnull=False),
                name="re_offer_answered_has_day_and_person",
            ),
        ]

    def __str__(self) -> str:
        return f"offer again to {self.referral}, {self.due_on}"
