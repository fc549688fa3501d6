"""The filters of the dashboard; each lives in the address."""

from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from oversight.indicators import BREAKDOWNS
from oversight.periods import default_period, period_problem


class PeriodForm(forms.Form):
    """Which days, and by what the figures are cut; empty answers fall back to the last twelve months by month."""

    to = forms.DateField(
        label=_("To"), required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    by = forms.ChoiceField(label=_("Cut by"), required=False, choices=list(BREAKDOWNS.items()))

    def __init__(self, data: Any, *, today: date) -> None:
        first, last = default_period(today)
        given = {
            "from": data.get("from") or first,
            "to": data.get("to") or last,
            "by": data.get("by") or "month",
        }
        super().__init__(given)
        since = forms.DateField(
            label=_("From"), required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
        )
        self.fields = {"from": since, **self.fields}
        self.fallback = (first, last, "month")

    def clean(self) -> dict[str, Any]:
        """A period must run forwards and not be endless."""
        cleaned = dict(super().clean() or {})
        since, until = cleaned.get("from"), cleaned.get("to")
        if since and until and (problem := period_problem(since, until)):
            raise forms.ValidationError(problem, code="period")
        return cleaned

    def chosen(self) -> tuple[date, date, str]:
        """The period and cut to show: what was asked when it makes sense, else the usual one."""
        if not self.is_valid():
            return self.fallback
        return self.cleaned_data["from"], self.cleaned_data["to"], self.cleaned_data["by"]

    def problems(self) -> list[str]:
        """Every objection in words, each with the name of its field."""
        return [
            f"{self.fields[name].label}: {words}" if name in self.fields else str(words)
            for name, found in self.errors.items()
            for words in found
        ]
