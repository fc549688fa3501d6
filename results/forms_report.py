"""The forms of a report: the examination with its lesions, the histology of each, an amendment, and the signature."""

import re
from collections.abc import Iterator
from datetime import date
from typing import Any, cast

from django import forms
from django.utils.translation import gettext_lazy as _

from results.findings import TISSUE_WORDS
from results.forms_referral import ReferralForm, day_field, sometimes_needed, words_field, yes_no_field
from results.models import (
    CaecumProof,
    Comfort,
    Examination,
    FindingClass,
    Histology,
    LesionRow,
    NextStep,
    Segment,
    Shape,
)
from results.services.findings import (
    HistologyEntry,
    LesionEntry,
    LesionSeen,
    finding_standing,
    histology_told,
    lesions_seen,
)
from results.services.referrals_report import Quality
from staff.models import Site

BLANK_LESIONS = 3
MOST_LESIONS = 60


def score_field(label: Any) -> forms.TypedChoiceField:
    """A Boston score, or nothing."""
    return forms.TypedChoiceField(
        label=label,
        choices=[("", "–"), *[(n, str(n)) for n in range(4)]],
        coerce=int,
        empty_value=None,
        required=False,
    )


class LesionForm(forms.Form):
    """One lesion; a row left empty is no lesion."""

    segment = forms.ChoiceField(label=_("Segment"), choices=[("", "–"), *Segment.choices])
    size_mm = forms.IntegerField(label=_("Size, mm"), min_value=1, max_value=200)
    shape = forms.ChoiceField(label=_("Shape"), choices=[("", "–"), *Shape.choices])
    looks = forms.ChoiceField(label=_("Looks like"), choices=[("", "–"), *LesionRow.Looks.choices])
    removal = forms.ChoiceField(label=_("Removal"), choices=[("", "–"), *LesionRow.Removal.choices])
    pot = forms.IntegerField(
        label=_("Pot"), min_value=1, max_value=60, required=False,
    )  # fmt: skip
    lost = forms.BooleanField(label=_("Not retrieved"), required=False)
    tattooed = forms.BooleanField(label=_("Place marked"), required=False)
    same_as = forms.IntegerField(label=_("Same as earlier no."), min_value=1, max_value=60, required=False)

    def entry(self) -> LesionEntry:
        """As the service takes it."""
        data = self.cleaned_data
        return LesionEntry(
            segment=data["segment"], size_mm=data["size_mm"], shape=data["shape"], looks=data["looks"],
            removal=data["removal"], retrieved=not data["lost"], pot=data["pot"], tattooed=data["tattooed"],
            same_as=data["same_as"],
        )  # fmt: skip


LesionForms = forms.formset_factory(LesionForm, extra=BLANK_LESIONS, max_num=MOST_LESIONS, validate_max=True)


def plain_number(value: str) -> str:
    """A person number without spaces, dashes and case."""
    return re.sub(r"[\W_]", "", value).upper()


class ReportForm(ReferralForm):
    """The least that an examination report must say, and the two marks by which it is this person's."""

    in_columns = True
    number_on_report = forms.CharField(
        label=_("Person number on the report"),
        max_length=40,
        help_text=_("Copy it from the report, not from this page."),
    )
    birth_on_report = day_field(label=_("Birth date on the report"))
    kind = forms.ChoiceField(label=_("Examination"), choices=Examination.Kind.choices, initial="colonoscopy")
    site = forms.ModelChoiceField(
        label=_("Where"), queryset=Site.objects.filter(does_colonoscopy=True), required=False,
        empty_label=_("as booked, or elsewhere"),
    )  # fmt: skip
    day = day_field(label=_("Day of the examination"))
    examiner = forms.CharField(
        label=_("Examined by, as the report says"), max_length=80, required=False,
        help_text=_("Name or number, always written alike."),
    )  # fmt: skip
    complete = yes_no_field(_("Complete (caecum reached)?"))
    caecum_proof = forms.ChoiceField(
        label=_("Proof of it"), choices=[("", _("not said")), *CaecumProof.choices], required=False
    )
    boston_right = score_field(_("Boston scale: right colon"))
    boston_transverse = score_field(_("Boston scale: transverse colon"))
    boston_left = score_field(_("Boston scale: left colon"))
    prep_adequate = yes_no_field(_("Bowel preparation adequate?"), required=False)
    withdrawal_minutes = forms.IntegerField(
        label=_("Withdrawal, minutes"), min_value=1, max_value=180, required=False
    )
    comfort = forms.ChoiceField(
        label=_("Discomfort"), choices=[("", _("not said")), *Comfort.choices], required=False
    )
    at_once = forms.CharField(label=_("Events during or right after it"), max_length=400, required=False)
    specimens = forms.IntegerField(label=_("Pots sent to pathology"), min_value=0, max_value=60)
    finding = forms.ChoiceField(
        label=_("Most serious finding"), choices=[("", _("as the lesions below")), *FindingClass.choices], required=False,
        help_text=_("Only needed when no lesion is typed below, or for a finding that is no lesion."),
    )  # fmt: skip
    sizes_confirmed = forms.BooleanField(
        label=_("A lesion over 60 mm was measured so; it is no slip of the key"), required=False
    )
    report_document = forms.CharField(label=_("Report: number or file"), max_length=80)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        booking = self.referral.bookings.filter(status__in=["booked", "attended"]).order_by("-day").first()
        if booking is not None and booking.day <= self.today:
            self.fields["day"].initial = booking.day
        name = f"{self.prefix}-lesions"
        given = self.data if f"{name}-TOTAL_FORMS" in self.data else None
        self.lesions = LesionForms(given, prefix=name)

    def lesions_fit(self) -> bool:
        """Whether every lesion that was typed can be read."""
        return not self.lesions.is_bound or self.lesions.is_valid()

    def clean(self) -> dict[str, Any]:
        """The lesions and measures as the service takes them; a report without a finding is asked for one."""
        data = super().clean() or {}
        if not self.lesions_fit():
            self.add_error(None, _("Put the marked lesions right. What you typed is still here."))
            return data
        typed = self.lesions if self.lesions.is_bound else ()
        data["lesions"] = [form.entry() for form in typed if form.has_changed()]
        scores = [data.get(f"boston_{part}") for part in ("right", "transverse", "left")]
        if len({score is None for score in scores}) > 1:
            self.add_error("boston_left", _("Give the score of all three segments, or of none."))
        elif scores[0] is None and data.get("prep_adequate") is None:
            self.add_error("prep_adequate", _("Answer yes or no, or give the three scores."))
        if not data["lesions"] and not data.get("finding"):
            self.add_error("finding", _("Choose the most serious finding, or type the lesions."))
        data["quality"] = Quality(
            boston=None if None in scores else cast("tuple[int, int, int]", tuple(scores)),
            caecum_proof=data.get("caecum_proof", ""), withdrawal_minutes=data.get("withdrawal_minutes"),
            comfort=data.get("comfort", ""), at_once=data.get("at_once", ""),
            examiner=data.get("examiner", ""),
        )  # fmt: skip
        return data

    def clean_number_on_report(self) -> str:
        """The report is this person's by number."""
        given = str(self.cleaned_data["number_on_report"])
        numbers = self.referral.person.identifiers.values_list("value", flat=True)
        if plain_number(given) not in {plain_number(value) for value in numbers}:
            raise forms.ValidationError(
                _("This is not a number of this person. Check that the report is not somebody else's.")
            )
        return given

    def clean_birth_on_report(self) -> date:
        """The report is this person's by birth date."""
        given: date = self.cleaned_data["birth_on_report"]
        known = self.referral.person.birth_date
        if known is not None and given != known:
            raise forms.ValidationError(
                _("This is not the birth date of this person. Check that the report is not somebody else's.")
            )
        return given


class HistologyForm(ReferralForm):
    """What pathology found: of each typed lesion, or in words where none was typed."""

    amends = False
    in_columns = True
    document = forms.CharField(label=_("Pathology report: number or file"), max_length=80)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.asked = [one for one in lesions_seen(self.referral) if self.asks(one)]
        if self.asked:
            for one in self.asked:
                self._ask(one)
        elif not self.amends:
            self.fields["histology"] = words_field(label=_("Histology, its conclusion in words"), rows=4)
            self.fields["finding"] = forms.ChoiceField(
                label=_("Most serious finding with it"), choices=[("", _("choose")), *FindingClass.choices]
            )
            self.fields["document"].required = False

    def asks(self, one: LesionSeen) -> bool:
        """Whether the form asks about this lesion: it lies in a pot and has no histology yet."""
        return one.row.pot is not None and one.histology is None

    def _ask(self, one: LesionSeen) -> None:
        pk, known = one.row.pk, one.histology
        self.fields[f"tissue_{pk}"] = forms.ChoiceField(
            label=_("Histology of lesion %(n)s") % {"n": one.number}, required=self.amends,
            choices=[("", _("not in yet")), *[(key.value, words) for key, words in TISSUE_WORDS.items()]],
        )  # fmt: skip
        self.fields[f"dysplasia_{pk}"] = forms.ChoiceField(
            label=_("Dysplasia of lesion %(n)s") % {"n": one.number}, required=False,
            choices=[("", "–"), *Histology.Grade.choices],
        )  # fmt: skip
        self.fields[f"margins_{pk}"] = forms.ChoiceField(
            label=_("Margins of lesion %(n)s") % {"n": one.number}, required=False,
            choices=[("", _("not said")), ("yes", _("clear")), ("no", _("not clear"))],
        )  # fmt: skip
        self.fields[f"doubt_{pk}"] = forms.BooleanField(
            label=_("Pot of lesion %(n)s in doubt") % {"n": one.number}, required=False
        )
        if known is not None:
            margins = {None: "", True: "yes", False: "no"}[known.clear_margins]
            told = {
                "tissue": known.tissue,
                "dysplasia": known.dysplasia,
                "margins": margins,
                "doubt": known.pot_in_doubt,
            }
            for name, value in told.items():
                self.fields[f"{name}_{pk}"].initial = value

    def rows(self) -> Iterator[tuple[LesionSeen, list[forms.BoundField]]]:
        """Each lesion asked about, with its fields."""
        for one in self.asked:
            yield one, [self[f"{name}_{one.row.pk}"] for name in ("tissue", "dysplasia", "margins", "doubt")]

    def clean(self) -> dict[str, Any]:
        """The histology by lesion; neoplasia without its grade is asked about."""
        data = super().clean() or {}
        told: dict[int, HistologyEntry] = {}
        for one in self.asked:
            pk = one.row.pk
            tissue, grade = data.get(f"tissue_{pk}"), data.get(f"dysplasia_{pk}") or ""
            if not tissue:
                continue
            if not grade and tissue in NEEDS_GRADE:
                self.add_error(f"dysplasia_{pk}", _("Lesion %(n)s: choose the grade.") % {"n": one.number})
                continue
            clear = {"yes": True, "no": False}.get(data.get(f"margins_{pk}") or "")
            entry = HistologyEntry(tissue, grade or "none", clear, bool(data.get(f"doubt_{pk}")))
            if not self.amends or entry != _as_entry(one):
                told[pk] = entry
        if self.asked and not told and not self.errors:
            self.add_error(None, _("Enter the histology of at least one lesion."))
        data["lesions"] = told
        return data


NEEDS_GRADE = frozenset({"tubular", "tubulovillous", "villous", "sessile_serrated", "traditional_serrated"})
"""Tissues whose grade of dysplasia decides something; the others have none."""


def _as_entry(one: LesionSeen) -> HistologyEntry | None:
    known = one.histology
    if known is None:
        return None
    return HistologyEntry(known.tissue, known.dysplasia, known.clear_margins, known.pot_in_doubt)


class AmendForm(HistologyForm):
    """Pathology corrected its report."""

    amends = True

    def asks(self, one: LesionSeen) -> bool:
        """Whether the form asks about this lesion: its histology is in."""
        return one.histology is not None


STEP_OF_COURSE = {"screening": "screening", "surveillance": "surveillance", "treatment": "treatment"}


class SignForm(ReferralForm):
    """The clinician's next step; what was computed stands in the fields until it is changed."""

    in_columns = True

    finding = forms.ChoiceField(
        label=_("Most serious finding"), choices=[("", _("choose")), *FindingClass.choices]
    )
    histology = words_field(label=_("Histology, in words"), required=False)
    step = forms.ChoiceField(
        label=_("Next step"), choices=NextStep.Step.choices, widget=forms.RadioSelect,
        error_messages={"required": _("Choose the next step.")},
    )  # fmt: skip
    on = day_field(
        label=_("On"), required=False,
        help_text=_("Back to screening: empty means one interval after the examination. Surveillance needs a day."),
    )  # fmt: skip
    words = words_field(label=_("In words, for the person and the doctor"), rows=3)
    deviation = words_field(
        label=_("Why it differs from what was computed"), required=False,
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        sometimes_needed(self, "on", "deviation")
        last = self.referral.moves.filter(event__in=["histology", "report"]).order_by("-seq").first()
        if last is not None:
            self.fields["finding"].initial = last.reason
            self.fields["histology"].initial = histology_told(self.referral) or last.note
        self.computed = finding_standing(self.referral)
        if self.computed is not None:
            self.fields["finding"].initial = self.computed.finding
            self.fields["step"].initial = STEP_OF_COURSE.get(self.computed.course)
            if self.computed.course == "surveillance" and self.computed.proposed_from:
                self.fields["on"].initial = self.computed.proposed_from
