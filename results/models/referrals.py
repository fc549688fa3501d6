"""Referrals and what happens in them: attempts, assessments, bookings, examinations and the signed next step."""

from typing import ClassVar

import pghistory
import pgtrigger
from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.models.results import Result
from screening.models import Person
from staff.models import Move, Site, Subject


class Referral(Subject):
    """The way of one person from a result at or above, or from a surveillance plan that falls due, to a written next
    step; one live a person. The days waited count from `opened_on`: the authorisation, or the planned day.
    """

    class Origin(models.TextChoices):
        RESULT = "result", _("a result at or above the cutoff")
        SURVEILLANCE = "surveillance", _("a planned surveillance examination")

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="referrals", db_index=False)
    opened_on = models.DateField(_("first authorised on"))
    origin = models.CharField(
        max_length=12, choices=Origin.choices, default=Origin.RESULT, db_default=Origin.RESULT
    )
    plan = models.OneToOneField(
        "results.NextStep", on_delete=models.PROTECT, null=True, related_name="taken_up_by"
    )

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["due_on", "id"], condition=~Q(state="closed"), name="referral_open_by_date"),
            models.Index(fields=["person"], name="referral_of_person"),
        ]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["person"], condition=~Q(state="closed"), name="one_live_referral_a_person"
            ),
            models.CheckConstraint(
                condition=Q(state="closed", closed_at__isnull=False) & ~Q(close_reason="")
                | ~Q(state="closed") & Q(closed_at__isnull=True, close_reason=""),
                name="referral_closed_has_reason_and_date",
            ),
            models.CheckConstraint(
                condition=Q(origin="result", plan__isnull=True)
                | Q(origin="surveillance", plan__isnull=False),
                name="surveillance_referral_has_its_plan",
            ),
        ]

    def __str__(self) -> str:
        return f"referral {self.pk}"


class ReferralMove(Move):
    """The ledger of referrals."""

    subject = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="moves", db_index=False)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["subject", "seq"], name="referral_moves_in_order")
        ]

    def __str__(self) -> str:
        return f"{self.event} → {self.to_state}"


class ReferralResult(models.Model):
    """A result that calls for a referral; append-only."""

    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="calls")
    result = models.OneToOneField(Result, on_delete=models.PROTECT, related_name="referral_link")

    def __str__(self) -> str:
        return f"{self.referral} for result {self.result_id}"


class ContactAttempt(models.Model):
    """One attempt to reach a person; append-only."""

    class Channel(models.TextChoices):
        PHONE = "phone", _("phone call")
        LETTER = "letter", _("letter")
        TRACKED = "tracked", _("tracked letter")
        DOCTOR = "doctor", _("through the doctor")
        VISIT = "visit", _("in person")

    class Outcome(models.TextChoices):
        NO_ANSWER = "no_answer", _("no answer")
        VOICEMAIL = "voicemail", _("voicemail, nothing disclosed")
        RELATIVE = "relative", _("a relative answered, nothing disclosed")
        SPOKE = "spoke", _("spoke with the person")
        SENT = "sent", _("sent")

    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="attempts")
    channel = models.CharField(max_length=8, choices=Channel.choices, default=Channel.PHONE)
    outcome = models.CharField(max_length=10, choices=Outcome.choices)
    note = models.TextField(blank=True, default="")
    made_at = models.DateTimeField()
    made_on = models.DateField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["made_at"]

    def __str__(self) -> str:
        return f"{self.channel}: {self.outcome}"


class Assessment(models.Model):
    """What the assessment before the examination found, or a brief re-check of one; append-only. None: not asked."""

    class Outcome(models.TextChoices):
        FIT = "fit", _("fit for colonoscopy")
        CONDITIONS = "conditions", _("fit with conditions")
        ALTERNATIVE = "alternative", _("another test (CT colonography)")
        UNFIT_UNTIL = "unfit_until", _("unfit until a day (a clinician)")
        UNFIT = "unfit", _("unfit for good: a clinician decides")
        DECLINES = "declines", _("declines: a clinician talks with the person")
        DOCTOR = "doctor", _("needs a doctor's decision")

    class Preparation(models.TextChoices):
        MACROGOL = "macrogol", _("with macrogol (PEG)")
        MAGNESIUM = "magnesium", _("low volume, with magnesium")
        PHOSPHATE = "phosphate", _("with sodium phosphate")
        OTHER = "other", _("another, named in the plan")

    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="assessments")
    outcome = models.CharField(max_length=12, choices=Outcome.choices)
    anticoagulants = models.BooleanField(_("takes blood thinners"), null=True)
    antiplatelets = models.BooleanField(_("takes medicine against clotting platelets"), null=True)
    diabetes = models.BooleanField(_("has diabetes"), null=True)
    insulin = models.BooleanField(_("uses insulin"), null=True)
    kidney_disease = models.BooleanField(_("has kidney disease"), null=True)
    iron = models.BooleanField(_("takes iron"), null=True)
    allergies = models.BooleanField(_("has allergies"), null=True)
    pacemaker = models.BooleanField(_("has a pacemaker"), null=True)
    sleep_apnoea = models.BooleanField(_("has sleep apnoea"), null=True)
    pregnancy = models.BooleanField(_("may be pregnant"), null=True)
    mobility = models.BooleanField(_("needs help"), null=True)
    consent_doubt = models.BooleanField(_("consent in doubt"), null=True)
    interpreter = models.BooleanField(_("needs an interpreter"), null=True)
    escort = models.BooleanField(_("has an escort home"), null=True)
    preparation = models.CharField(
        _("bowel preparation"), max_length=120, choices=Preparation.choices, blank=True, default=""
    )
    medicine_plan = models.TextField(_("plan for the medicines"), blank=True, default="")
    interpreted_by = models.CharField(_("who interprets"), max_length=120, blank=True, default="")
    plan = models.TextField(_("plan and conditions"), blank=True, default="")
    until = models.DateField(_("unfit until"), null=True)
    recheck_of = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="rechecks")
    made_on = models.DateField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(outcome__in=["unfit_until", "unfit", "declines", "doctor"])
                | Q(
                    anticoagulants__isnull=False, diabetes__isnull=False, kidney_disease__isnull=False,
                    interpreter__isnull=False, escort__isnull=False,
                ),
                name="bookable_assessment_is_answered",
            ),
            models.CheckConstraint(
                condition=Q(outcome__in=["unfit_until", "unfit", "declines", "doctor"])
                | Q(anticoagulants=False) & ~Q(outcome="conditions")
                | ~Q(plan="")
                | ~Q(medicine_plan=""),
                name="blood_thinners_and_conditions_need_a_plan",
            ),
            models.CheckConstraint(
                condition=Q(outcome__in=["unfit_until", "unfit", "declines", "doctor"])
                | Q(kidney_disease=False)
                | ~Q(preparation=""),
                name="kidney_disease_needs_its_preparation",
            ),
            models.CheckConstraint(
                condition=~Q(preparation__in=["magnesium", "phosphate"]) | Q(kidney_disease__isnull=True)
                | Q(kidney_disease=False),
                name="kidneys_allow_the_preparation",
            ),
            models.CheckConstraint(
                condition=Q(outcome="unfit_until", until__isnull=False)
                | ~Q(outcome="unfit_until") & Q(until__isnull=True),
                name="unfit_until_has_its_day",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return self.outcome


@pghistory.track(
    pghistory.UpdateEvent(level=pgtrigger.Statement),
    context_field=pghistory.ContextJSONField(),
    model_name="BookingHistory",
)
class Booking(models.Model):
    """A day and time at a colonoscopy unit."""

    class Status(models.TextChoices):
        BOOKED = "booked", _("booked")
        ATTENDED = "attended", _("attended")
        MISSED = "missed", _("did not attend")
        CANCELLED_PERSON = "cancelled_person", _("cancelled by the person")
        CANCELLED_SITE = "cancelled_site", _("cancelled by the site")
        NOT_CONFIRMED = "not_confirmed", _("given back, not confirmed")

    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="bookings")
    site = models.ForeignKey(Site, on_delete=models.PROTECT)
    day = models.DateField(_("day"))
    time = models.TimeField(_("time"))
    status = models.CharField(max_length=20, choices=Status.choices, default=Status.BOOKED)
    confirmed_on = models.DateField(_("the person agreed to the day on"), null=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_on = models.DateField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["referral"], condition=Q(status="booked"), name="one_booking_waiting_a_referral"
            )
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.day}"


class FindingClass(models.TextChoices):
    """The most serious finding of a person, in order of seriousness."""

    CANCER = "cancer", _("colorectal cancer")
    OTHER_CANCER = "other_cancer", _("cancer of other origin")
    ADVANCED_ADENOMA = "advanced_adenoma", _("advanced adenoma")
    ADVANCED_SERRATED = "advanced_serrated", _("advanced serrated lesion")
    NON_ADVANCED = "non_advanced", _("non-advanced adenoma or serrated lesion")
    OTHER = "other", _("other finding")
    NOTHING = "nothing", _("no abnormality")
    INCONCLUSIVE = "inconclusive", _("inconclusive")


class CaecumProof(models.TextChoices):
    """What shows that the whole colon was seen."""

    OPENING = "opening", _("picture of the appendix opening")
    VALVE = "valve", _("picture of the ileocaecal valve")
    ILEUM = "ileum", _("end of the small bowel seen")
    WORDS = "words", _("written only")


class Comfort(models.TextChoices):
    """How the person bore the examination."""

    NONE = "none", _("none")
    MILD = "mild", _("mild")
    MODERATE = "moderate", _("moderate")
    SEVERE = "severe", _("severe")


class Examination(models.Model):
    """One examination as its report says; append-only. Incomplete or badly prepared is never "no abnormality"."""

    class Kind(models.TextChoices):
        COLONOSCOPY = "colonoscopy", _("colonoscopy")
        CT = "ct", _("CT colonography")

    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="examinations")
    booking = models.OneToOneField(Booking, on_delete=models.PROTECT, null=True, related_name="examination")
    kind = models.CharField(max_length=12, choices=Kind.choices, default=Kind.COLONOSCOPY)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True)
    day = models.DateField(_("day"))
    examiner = models.CharField(
        _("examined by, as the report says"), max_length=80, blank=True, default="", db_default=""
    )
    complete = models.BooleanField(_("complete (caecum reached)"))
    prep_adequate = models.BooleanField(_("preparation adequate"))
    caecum_proof = models.CharField(
        _("proof of completeness"), max_length=8, choices=CaecumProof.choices, blank=True, default=""
    )
    boston_right = models.SmallIntegerField(_("Boston scale, right colon"), null=True)
    boston_transverse = models.SmallIntegerField(_("Boston scale, transverse colon"), null=True)
    boston_left = models.SmallIntegerField(_("Boston scale, left colon"), null=True)
    withdrawal_minutes = models.SmallIntegerField(_("withdrawal, minutes"), null=True)
    comfort = models.CharField(_("discomfort"), max_length=8, choices=Comfort.choices, blank=True, default="")
    at_once = models.TextField(_("events during or right after it"), blank=True, default="")
    specimens = models.SmallIntegerField(_("pots sent to pathology"), default=0)
    finding = models.CharField(_("most serious finding"), max_length=20, choices=FindingClass.choices)
    report_document = models.CharField(_("report, reference"), max_length=80)
    reported_on = models.DateField()
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=~Q(finding="nothing") | Q(complete=True, prep_adequate=True),
                name="incomplete_examination_is_never_clean",
            ),
            models.CheckConstraint(
                condition=Q(finding__in=FindingClass.values), name="finding_class_is_known"
            ),
            models.CheckConstraint(condition=~Q(report_document=""), name="examination_has_its_report"),
            models.CheckConstraint(
                condition=Q(
                    boston_right__isnull=True, boston_transverse__isnull=True, boston_left__isnull=True
                )
                | Q(boston_right__range=(0, 3), boston_transverse__range=(0, 3), boston_left__range=(0, 3)),
                name="boston_scores_run_from_0_to_3",
            ),
            models.CheckConstraint(
                condition=Q(boston_right__isnull=True)
                | Q(boston_right__gte=2, boston_transverse__gte=2, boston_left__gte=2, prep_adequate=True)
                | (Q(boston_right__lt=2) | Q(boston_transverse__lt=2) | Q(boston_left__lt=2))
                & Q(prep_adequate=False),
                name="preparation_agrees_with_its_scores",
            ),
            models.CheckConstraint(
                condition=Q(withdrawal_minutes__isnull=True) | Q(withdrawal_minutes__range=(1, 180)),
                name="withdrawal_time_is_plausible",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display().capitalize()}, {date_format(self.day, 'j M Y')}: {self.get_finding_display()}"
