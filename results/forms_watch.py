"""The forms of comparisons and external assessments."""

from typing import Any, ClassVar

from django import forms
from django.utils.translation import gettext_lazy as _

from results.forms_bench import DAY
from results.forms_lab import WORDS
from results.models import AssessmentRound, ComparisonSet


class ComparisonForm(forms.ModelForm):
    """Two lots or two analysers, and the samples measured with both."""

    text = forms.CharField(
        label=_("Samples"), widget=forms.Textarea(attrs={"rows": 12, "class": "code"}),
        help_text=_("One a line: serial, known value, new value, both in µg/g. At least 20, below, near and above the cutoff."),
    )  # fmt: skip

    class Meta:
        model = ComparisonSet
        fields: ClassVar = ["kind", "known_analyser", "new_analyser", "known_lot", "new_lot"]

    def clean(self) -> dict[str, Any]:
        """Both sides must be named."""
        cleaned = super().clean() or {}
        lots = cleaned.get("known_lot") and cleaned.get("new_lot")
        if cleaned.get("kind") == "lot" and not lots:
            raise forms.ValidationError(_("Choose the lot in use and the new lot."))
        if cleaned.get("kind") == "analyser" and not cleaned.get("new_analyser"):
            raise forms.ValidationError(_("Choose the other analyser."))
        return cleaned


class ApproveForm(forms.Form):
    """Words beside an approval."""

    note = forms.CharField(label=_("Why, if it does not meet the limits"), widget=WORDS, required=False)


class AssessmentForm(forms.ModelForm):
    """A sample of an external assessment."""

    class Meta:
        model = AssessmentRound
        fields: ClassVar = [
            "analyser", "scheme", "number", "due_on", "value", "assigned", "sd", "action",
        ]  # fmt: skip
        widgets: ClassVar = {"due_on": DAY, "action": WORDS}
