"""The filters of the figures; each lives in the address."""

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

from django import forms
from django.utils.translation import gettext_lazy as _

from oversight.filters import BAND_WORDS, FIFTH_WORDS, FILTER_WORDS, HISTORY_WORDS, ROUTE_WORDS, Asked
from oversight.indicators import BREAKDOWNS
from oversight.periods import default_period, period_problem
from oversight.standards import AGES
from screening.models import Area, Lot, Practice, Sex
from staff.models import Site

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

USUAL = ("area", "sex", "age", "fifth", "history")
"""Filters that are always in sight; the rest opens with "More filters"."""


def _named(rows: Any) -> list[tuple[str, str]]:
    return [(str(pk), str(name)) for pk, name in rows]


def _choices() -> Mapping[str, list[tuple[str, Any]]]:
    return {
        "area": [*_named(Area.objects.values_list("pk", "name")), ("0", _("not known"))],
        "sex": list(Sex.choices),
        "age": [*((str(age), f"{age}–{age + 4}") for age in AGES), ("-1", _("not known"))],
        "fifth": [(str(n), FIFTH_WORDS[n]) for n in (1, 2, 3, 4, 5, 0)],
        "history": [(str(n), words) for n, words in HISTORY_WORDS.items()],
        "band": [(str(n), words) for n, words in BAND_WORDS.items()],
        "laboratory": _named(
            Site.objects.filter(analyser__isnull=False).distinct().values_list("pk", "name")
        ),
        "unit": _named(Site.objects.filter(examination__isnull=False).distinct().values_list("pk", "name")),
        "route": [(str(n), words) for n, words in ROUTE_WORDS.items()],
        "lot": _named(Lot.objects.values_list("pk", "code")),
        "practice": _named(Practice.objects.order_by("name").values_list("pk", "name")[:200]),
    }


def _day(words: "StrOrPromise") -> forms.DateField:
    field = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    return forms.DateField(label=words, required=False, widget=field)


class AskedForm(forms.Form):
    """Which days, whom, and by what figures are cut; empty answers fall back to the last twelve months by month."""

    def __init__(self, data: Any, *, today: date, prefix_from: str = "from", prefix_to: str = "to") -> None:
        first, last = default_period(today)
        self.ends = (prefix_from, prefix_to)
        given = {
            prefix_from: data.get(prefix_from) or first, prefix_to: data.get(prefix_to) or last,
            "by": data.get("by") or "month", **{name: data.get(name, "") for name in FILTER_WORDS},
        }  # fmt: skip
        super().__init__(given)
        choices = _choices()
        self.fields = {
            prefix_from: _day(_("From")),
            prefix_to: _day(_("To")),
            "by": forms.ChoiceField(label=_("Cut by"), required=False, choices=list(BREAKDOWNS.items())),
        } | {
            name: forms.ChoiceField(
                label=str(words).capitalize(), required=False, choices=[("", _("all")), *choices[name]]
            )
            if name in choices
            else forms.CharField(label=str(words).capitalize(), required=False, max_length=12)
            for name, words in FILTER_WORDS.items()
        }
        self.fallback = Asked(first, last)

    def clean(self) -> dict[str, Any]:
        """A period must run forwards and not be endless."""
        cleaned = dict(super().clean() or {})
        since, until = (cleaned.get(name) for name in self.ends)
        if since and until and (problem := period_problem(since, until)):
            raise forms.ValidationError(problem, code="period")
        return cleaned

    def asked(self) -> Asked:
        """What to show: what was asked when it makes sense, else the usual period."""
        if not self.is_valid():
            return self.fallback
        data = self.cleaned_data
        only = {name: data[name] for name in FILTER_WORDS if data.get(name)}
        return Asked(data[self.ends[0]], data[self.ends[1]], data["by"], only)

    def problems(self) -> list[str]:
        """Every objection in words, each with the name of its field."""
        return [
            f"{self.fields[name].label}: {words}" if name in self.fields else str(words)
            for name, found in self.errors.items()
            for words in found
        ]

    def usual(self) -> list[forms.BoundField]:
        """The fields always in sight."""
        return [self[name] for name in (*self.ends, "by", *USUAL)]

    def more(self) -> list[forms.BoundField]:
        """The fields behind "More filters"."""
        return [self[name] for name in FILTER_WORDS if name not in USUAL]

    @property
    def more_used(self) -> bool:
        """Whether one of those is in use."""
        return any(self.data.get(name) for name in FILTER_WORDS if name not in USUAL)
