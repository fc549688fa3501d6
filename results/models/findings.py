"""What was found and what became of it: lesions, histology, classes, adverse events, cancers found later."""

from datetime import date
from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from results.findings import LARGEST_MM, TISSUE_WORDS
from results.models.referrals import Examination, FindingClass, Referral
from results.surveillance import GUIDELINE_WORDS, Course
from screening.models import Person
from screening.months import add_months


class Segment(models.TextChoices):
    """A part of the bowel."""

    CAECUM = "caecum", _("caecum")
    ASCENDING = "ascending", _("ascending colon")
    TRANSVERSE = "transverse", _("transverse colon")
    DESCENDING = "descending", _("descending colon")
    SIGMOID = "sigmoid", _("sigmoid colon")
    RECTUM = "rectum", _("rectum")


class Shape(models.TextChoices):
    """The shape of a lesion; the Paris categories, an open term of the trade."""

    PEDUNCULATED = "Ip", _("Ip, pedunculated")
    SUBPEDUNCULATED = "Isp", _("Isp, subpedunculated")
    SESSILE = "Is", _("Is, sessile")
    ELEVATED = "IIa", _("IIa, slightly elevated")
    FLAT = "IIb", _("IIb, flat")
    DEPRESSED = "IIc", _("IIc, depressed")
    MASS = "mass", _("mass")


class LesionRow(models.Model):
    """One lesion as the examiner saw and removed it; append-only, its histology comes in rows of its own."""

    class Looks(models.TextChoices):
        ADENOMA = "adenoma", _("adenoma")
        SERRATED = "serrated", _("serrated lesion")
        CANCER = "cancer", _("cancer")
        OTHER = "other", _("something else")

    class Removal(models.TextChoices):
        LEFT = "left", _("left in place")
        BIOPSY = "biopsy", _("left in place, biopsy taken")
        EN_BLOC = "en_bloc", _("removed whole")
        PIECEMEAL = "piecemeal", _("removed in pieces")

    examination = models.ForeignKey(Examination, on_delete=models.PROTECT, related_name="lesions")
    number = models.SmallIntegerField(_("number"))
    segment = models.CharField(_("segment"), max_length=12, choices=Segment.choices)
    size_mm = models.SmallIntegerField(_("size, mm"))
    shape = models.CharField(_("shape"), max_length=4, choices=Shape.choices)
    looks = models.CharField(_("looks like"), max_length=8, choices=Looks.choices)
    removal = models.CharField(_("removal"), max_length=9, choices=Removal.choices)
    retrieved = models.BooleanField(_("retrieved"), default=True)
    pot = models.SmallIntegerField(_("pot"), null=True)
    tattooed = models.BooleanField(_("place marked in the bowel"), default=False)
    same_as = models.OneToOneField(
        "self",
        on_delete=models.PROTECT,
        null=True,
        related_name="seen_again",
        verbose_name=_("same as the earlier lesion"),
    )

    class Meta:
        ordering: ClassVar = ["examination_id", "number"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["examination", "number"], name="lesions_of_an_examination_are_numbered"
            ),
            models.CheckConstraint(
                condition=Q(size_mm__range=(1, LARGEST_MM)), name="lesion_size_is_plausible"
            ),
            models.CheckConstraint(
                condition=Q(pot__isnull=True) & (Q(removal="left") | Q(retrieved=False))
                | Q(pot__gte=1, retrieved=True) & ~Q(removal="left"),
                name="a_retrieved_lesion_lies_in_a_pot",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number}: {self.size_mm} mm, {self.get_segment_display()}"


class Histology(models.Model):
    """What pathology says of one lesion; an amendment is another version; append-only."""

    class Grade(models.TextChoices):
        NONE = "none", _("no dysplasia")
        LOW = "low", _("low-grade dysplasia")
        HIGH = "high", _("high-grade dysplasia")

    lesion = models.ForeignKey(LesionRow, on_delete=models.PROTECT, related_name="histology")
    version = models.SmallIntegerField(default=1)
    tissue = models.CharField(
        _("histology"), max_length=22, choices=[(key.value, words) for key, words in TISSUE_WORDS.items()]
    )
    dysplasia = models.CharField(_("dysplasia"), max_length=4, choices=Grade.choices)
    clear_margins = models.BooleanField(_("margins clear"), null=True)
    pot_in_doubt = models.BooleanField(_("it is not certain that this pot held this lesion"), default=False)
    words = models.TextField(_("conclusion in words"), blank=True, default="")
    document = models.CharField(_("report, reference"), max_length=80)
    reported_on = models.DateField()
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["lesion_id", "version"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lesion", "version"], name="histology_versions_in_order"),
            models.CheckConstraint(condition=~Q(document=""), name="histology_has_its_report"),
        ]

    def __str__(self) -> str:
        return f"{self.get_tissue_display()} (version {self.version})"


class FindingComputed(models.Model):
    """The class and the guideline's proposal at one moment, with the definition and guideline used; append-only."""

    referral = models.ForeignKey(Referral, on_delete=models.PROTECT, related_name="computed")
    finding = models.CharField(max_length=20, choices=FindingClass.choices)
    because = models.TextField()
    without_histology = models.BooleanField()
    provisional = models.BooleanField()
    villous_counts = models.BooleanField()
    guideline = models.CharField(
        max_length=16, choices=[(key.value, words) for key, words in GUIDELINE_WORDS.items()]
    )
    course = models.CharField(max_length=16, choices=[(key.value, key.value) for key in Course])
    rule = models.CharField(max_length=32)
    proposal_because = models.TextField()
    lesions = models.JSONField(default=list)
    months_low = models.SmallIntegerField(null=True)
    months_high = models.SmallIntegerField(null=True)
    counted_from = models.DateField(null=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["pk"]

    def __str__(self) -> str:
        return f"{self.finding}: {self.rule}"

    @property
    def proposed_from(self) -> date | None:
        """The first day proposed, or None without an interval."""
        return self._after(self.months_low)

    @property
    def proposed_until(self) -> date | None:
        """The last day proposed, or None without an interval."""
        return self._after(self.months_high)

    def _after(self, months: int | None) -> date | None:
        return add_months(self.counted_from, months) if self.counted_from and months is not None else None


class AdverseEvent(models.Model):
    """Harm after an examination, whenever it was heard of; append-only."""

    class Kind(models.TextChoices):
        BLEEDING = "bleeding", _("bleeding")
        PERFORATION = "perforation", _("perforation")
        POLYPECTOMY = "polypectomy", _("pain and fever after a removal, without perforation")
        HEART_LUNGS = "heart_lungs", _("heart, circulation or breathing")
        PREPARATION = "preparation", _("bowel preparation, salts or kidneys")
        OTHER = "other", _("another event")

    class Severity(models.TextChoices):
        CONTACT = "contact", _("unplanned contact with a doctor")
        ADMISSION = "admission", _("hospital for up to 3 nights")
        LONG = "long", _("hospital for 4 to 10 nights")
        SEVERE = "severe", _("more than 10 nights, intensive care or surgery")
        DEATH = "death", _("death")

    examination = models.ForeignKey(Examination, on_delete=models.PROTECT, related_name="events")
    kind = models.CharField(_("what"), max_length=12, choices=Kind.choices)
    severity = models.CharField(_("how severe"), max_length=10, choices=Severity.choices)
    happened_on = models.DateField(_("on"))
    source = models.CharField(_("who told"), max_length=80)
    words = models.TextField(_("what happened"))
    entered_on = models.DateField()
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["happened_on", "pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(words="") & ~Q(source=""), name="adverse_event_is_told"),
            models.CheckConstraint(
                condition=Q(happened_on__lte=F("entered_on")), name="adverse_event_lies_in_the_past"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.happened_on}"


class EventJudgement(models.Model):
    """What the committee said of an adverse event: whether the examination caused it; append-only, the last one stands."""

    class Cause(models.TextChoices):
        CAUSED = "caused", _("caused by the examination or its preparation")
        POSSIBLE = "possible", _("possibly caused by it")
        UNRELATED = "unrelated", _("not related")

    event = models.ForeignKey(AdverseEvent, on_delete=models.PROTECT, related_name="judgements")
    cause = models.CharField(_("cause"), max_length=10, choices=Cause.choices)
    words = models.TextField(_("grounds"))
    judged_on = models.DateField()
    judged_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["pk"]

    def __str__(self) -> str:
        return self.cause


class AfterCall(models.Model):
    """The question 14 or 30 days after an examination whether all went well; append-only."""

    class Answer(models.TextChoices):
        WELL = "well", _("nothing happened")
        EVENT = "event", _("something happened")
        NOT_REACHED = "not_reached", _("not reached")

    examination = models.ForeignKey(Examination, on_delete=models.PROTECT, related_name="after_calls")
    mark = models.SmallIntegerField(_("days after"), choices=[(14, "14"), (30, "30")])
    answer = models.CharField(_("answer"), max_length=12, choices=Answer.choices)
    event = models.ForeignKey(AdverseEvent, on_delete=models.PROTECT, null=True, related_name="+")
    note = models.TextField(_("note"), blank=True, default="")
    made_on = models.DateField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["examination", "mark"], condition=~Q(answer="not_reached"), name="one_answer_a_mark"
            ),
            models.CheckConstraint(
                condition=Q(answer="event", event__isnull=False) | ~Q(answer="event") & Q(event__isnull=True),
                name="an_event_is_entered_with_its_answer",
            ),
        ]

    def __str__(self) -> str:
        return f"day {self.mark}: {self.answer}"


class CancerReport(models.Model):
    """A cancer that was reported from outside the programme's own examinations; append-only, the last of a person counts."""

    class Origin(models.TextChoices):
        BOWEL = "bowel", _("colon or rectum")
        OTHER = "other", _("another organ")

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="cancer_reports")
    diagnosed_on = models.DateField(_("diagnosed on"))
    origin = models.CharField(_("origin"), max_length=6, choices=Origin.choices, default=Origin.BOWEL)
    stage = models.CharField(_("stage"), max_length=12, blank=True, default="")
    treatment_on = models.DateField(_("treatment began on"), null=True)
    source = models.CharField(_("who reported it"), max_length=80)
    document = models.CharField(_("document, reference"), max_length=80)
    link_certain = models.BooleanField(_("it is certainly this person"), default=True)
    second_reader = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    words = models.TextField(_("note"), blank=True, default="")
    entered_on = models.DateField()
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering: ClassVar = ["diagnosed_on", "pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(diagnosed_on__lte=F("entered_on")),
                name="cancer_was_diagnosed_before_it_was_entered",
            ),
            models.CheckConstraint(
                condition=Q(treatment_on__gte=F("diagnosed_on"), treatment_on__lte=F("entered_on")),
                name="treatment_began_between_diagnosis_and_entry",
            ),
            models.CheckConstraint(
                condition=Q(second_reader__isnull=True) | ~Q(second_reader=F("entered_by")),
                name="second_reader_is_another",
            ),
            models.CheckConstraint(
                condition=~Q(document="") & ~Q(source=""), name="cancer_report_has_its_source"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.origin} {self.diagnosed_on}"
