"""The forms of the assessment: every question with its prompt, the outcome, and the brief re-check."""

from typing import Any

from django import forms
from django.forms import BoundField
from django.utils.translation import gettext_lazy as _

from results.assessment_rules import BOOKABLE, GROUPS, QUESTIONS, AssessmentFacts, record_gaps
from results.forms_referral import ReferralForm, day_field, words_field, yes_no_field
from results.models import Assessment
from results.referral_story import language_name
from staff.roles import Role

WRITTEN = ("preparation", "medicine_plan", "interpreted_by", "plan", "until")


class AssessForm(ReferralForm):
    """The assessment before the examination; booking stays blocked until every question is answered."""

    outcome = forms.ChoiceField(
        label=_("Outcome"), choices=Assessment.Outcome.choices, widget=forms.RadioSelect,
        error_messages={"required": _("Choose the outcome.")},
    )  # fmt: skip
    until = day_field(
        label=_("Unfit until"),
        required=False,
        help_text=_("Only for “unfit until a day”; at most a year ahead."),
    )
    preparation = forms.ChoiceField(
        label=_("Bowel preparation"), choices=[("", _("choose")), *Assessment.Preparation.choices], required=False,
        help_text=_("With kidney disease only macrogol is recommended. Local protocol decides."),
    )  # fmt: skip
    medicine_plan = words_field(
        label=_("Plan for the medicines"), required=False, rows=3,
        help_text=_("Needed for blood thinners, medicine against clotting platelets, and insulin: what, from when, agreed with whom."),
    )  # fmt: skip
    interpreted_by = forms.CharField(
        label=_("Who interprets"), max_length=120, required=False,
        help_text=_("May stay empty while you look for somebody; nothing is booked until then."),
    )  # fmt: skip
    plan = words_field(
        label=_("Plan and conditions"), required=False, rows=3,
        help_text=_("Conditions, allergies, implants, help on the day, the way home; or why the person is not fit."),
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for key, question in QUESTIONS.items():
            self.fields[key] = yes_no_field(question.label)
            self.fields[key].help_text = question.prompt
        language = self.referral.person.language
        if language and not language.startswith("en"):
            prompt = _("The register says: %(language)s.") % {"language": language_name(language)}
            self.fields["interpreter"].help_text = f"{QUESTIONS['interpreter'].prompt} {prompt}"
        if Role.CLINICIAN not in self.user.roles:
            choices = [one for one in Assessment.Outcome.choices if one[0] != "unfit_until"]
            self.fields["outcome"].choices = choices  # type: ignore[attr-defined]
            del self.fields["until"]

    @property
    def groups(self) -> list[tuple[Any, list[BoundField]]]:
        """The fields under their headings, as the page draws them."""
        asked = [(title, [self[key] for key in keys]) for title, keys in GROUPS]
        written = [self[key] for key in ("outcome", "until", *WRITTEN[:-1]) if key in self.fields]
        return [*asked, (_("Outcome and plan"), written)]

    def clean(self) -> dict[str, Any]:
        """Name what is missing at the field it belongs to; only who may be booked needs every answer."""
        data = super().clean() or {}
        if data.get("outcome") not in BOOKABLE:
            for key in QUESTIONS:
                self.errors.pop(key, None)
        facts = AssessmentFacts(
            outcome=data.get("outcome", ""), answers=self.answers(data), plan=data.get("plan", ""),
            medicine_plan=data.get("medicine_plan", ""), interpreted_by=data.get("interpreted_by", ""),
            preparation=data.get("preparation", ""), until=data.get("until"),
        )  # fmt: skip
        for gap in record_gaps(facts, today=self.today) if facts.outcome else []:
            if gap.code != "unanswered":
                self.add_error(gap.field if gap.field in self.fields else None, str(gap.sentence))
        return data

    @staticmethod
    def answers(data: dict[str, Any]) -> dict[str, bool | None]:
        """The answers alone; what was not answered is None."""
        return {key: None if data.get(key) in {None, ""} else bool(data[key]) for key in QUESTIONS}


class RecheckForm(ReferralForm):
    """Whether anything has changed since the assessment."""

    changed = yes_no_field(_("Has anything changed since: health, medicines, who goes home with the person?"))
    interpreted_by = forms.CharField(
        label=_("Who interprets, if one is needed"), max_length=120, required=False
    )
    note = words_field(label=_("Note"), required=False)

    def clean_changed(self) -> bool:
        """A change calls for a new assessment."""
        changed = bool(self.cleaned_data["changed"])
        if changed:
            raise forms.ValidationError(_("Then assess the person anew, with all questions."))
        return changed
