"""The filters of the figures; each lives in the address."""

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

from django import forms
from django.core.validators import RegexValidator
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from oversight.filters import BAND_WORDS, FIFTH_WORDS, FILTER_WORDS, HISTORY_WORDS, ROUTE_WORDS, Asked
from oversight.indicators import BREAKDOWNS, EQUITY_CUTS
from oversight.periods import default_period, period_problem
from oversight.standards import AGES, DEFAULT_STANDARD, STANDARDS
from screening.models import Area, Lot, Practice, Sex
from staff.errors import RoundbookError
from staff.models import Site

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

USUAL = ("area", "sex", "age", "fifth", "history")
"""Filters that are always in sight; the rest opens with "More filters"."""
MOST_CHOICES = 200
"""More practices than this are not offered one by one: their code is typed."""
NAMES = frozenset(
    {"from", "to", "from2", "to2", "by", "standard", "key", "part", "place", "row", "given_to", *FILTER_WORDS}
)
"""Everything that an address of the figures may say."""
ALL_CUTS = {**BREAKDOWNS, **EQUITY_CUTS}
LANGUAGE = RegexValidator(
    r"^[A-Za-z]{2,3}(-[A-Za-z0-9]{1,8})*$",
    _("A language is written by its code, as in the register: en, pt-BR."),
)


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
    }


def _day(words: "StrOrPromise") -> forms.DateField:
    field = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    return forms.DateField(label=words, required=False, widget=field)


def _choice(words: "StrOrPromise", choices: list[tuple[str, Any]]) -> forms.ChoiceField:
    said = {"invalid_choice": _("There is no “%(value)s” here. Choose one of the list.")}
    return forms.ChoiceField(label=words, required=False, choices=choices, error_messages=said)


class PracticeField(forms.CharField):
    """A practice by its number in the address, or by its code where there are too many to choose from."""

    def clean(self, value: Any) -> str:
        """The practice's number; an unknown one is refused."""
        said = str(value or "").strip()
        if not said:
            return ""
        numbered = (
            Practice.objects.filter(pk=int(said))
            if said.isascii() and said.isdigit() and len(said) < 10
            else None
        )
        found = (numbered and numbered.first()) or Practice.objects.filter(code=said).first()
        if found is None:
            raise forms.ValidationError(
                _("There is no practice “%(value)s”. Write its code as the register does."),
                params={"value": said},
            )
        return str(found.pk)


def _practice(words: "StrOrPromise") -> forms.Field:
    rows = list(Practice.objects.order_by("name").values_list("pk", "name")[: MOST_CHOICES + 1])
    if len(rows) <= MOST_CHOICES:
        return _choice(words, [("", _("all")), *_named(rows)])
    return PracticeField(
        label=words, required=False, max_length=12, help_text=_("Its code, as in the register.")
    )


def _field(name: str, words: "StrOrPromise", choices: Mapping[str, list[tuple[str, Any]]]) -> forms.Field:
    label = str(words).capitalize()
    if name == "practice":
        return _practice(label)
    if name in choices:
        return _choice(label, [("", _("all")), *choices[name]])
    return forms.CharField(label=label, required=False, max_length=12, validators=[LANGUAGE])


class AskedForm(forms.Form):
    """Which days, whom, and by what figures are cut; empty answers fall back to the last twelve months by month.

    `cuts` are the cuts of the page; one of another page, which travels along in links, falls back to the first of them.
    """

    def __init__(
        self, data: Any, *, today: date, prefix_from: str = "from", prefix_to: str = "to",
        cuts: "Mapping[str, StrOrPromise]" = BREAKDOWNS,
    ) -> None:  # fmt: skip
        first, last = default_period(today)
        self.ends = (prefix_from, prefix_to)
        self.standardises = cuts is EQUITY_CUTS
        self.unknown = sorted(set(data) - NAMES - {"csrfmiddlewaretoken"})
        by = data.get("by") or next(iter(cuts))
        if by not in cuts and by in BREAKDOWNS:
            by = next(iter(cuts))
        given = {
            "standard": data.get("standard") or DEFAULT_STANDARD,
            prefix_from: data.get(prefix_from) or first, prefix_to: data.get(prefix_to) or last, "by": by,
            **{name: data.get(name, "") for name in FILTER_WORDS},
        }  # fmt: skip
        super().__init__(given)
        choices = _choices()
        self.fields = {
            prefix_from: _day(_("From")),
            prefix_to: _day(_("To")),
            "by": _choice(_("Cut by"), list(cuts.items())),
            "standard": _choice(
                _("Standard population"),
                [(key, words) for key, (words, weights) in STANDARDS.items() if weights],
            ),
        } | {name: _field(name, words, choices) for name, words in FILTER_WORDS.items()}
        self.fallback = Asked(first, last, next(iter(cuts)))

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
        return Asked(data[self.ends[0]], data[self.ends[1]], data["by"], only, data["standard"])

    def asked_or_refused(self) -> Asked:
        """What was asked, for what is kept or sent: RoundbookError in words when it makes no sense, never another period."""
        if not self.is_valid():
            raise RoundbookError("asked_wrongly", " ".join(self.problems()))
        return self.asked()

    def problems(self) -> list[str]:
        """Every objection in words, each with the name of its field, and every name of the address that means nothing."""
        return [
            f"{self.fields[name].label}: {words}" if name in self.fields else str(words)
            for name, found in self.errors.items()
            for words in found
        ] + [_now("“%(name)s” is no filter and was left out.") % {"name": name[:40]} for name in self.unknown]

    def usual(self) -> list[forms.BoundField]:
        """The fields always in sight."""
        return [
            self[name] for name in (*self.ends, "by", *(["standard"] if self.standardises else []), *USUAL)
        ]

    def more(self) -> list[forms.BoundField]:
        """The fields behind "More filters"."""
        return [self[name] for name in FILTER_WORDS if name not in USUAL]

    @property
    def more_used(self) -> bool:
        """Whether one of those is in use."""
        return any(self.data.get(name) for name in FILTER_WORDS if name not in USUAL)


def asked_of(*, since: date, until: date, by: str = "month", only: Mapping[str, str]) -> Asked:
    """The question of a program: the same filters as in the address of a page; RoundbookError names every one that means nothing."""
    names = {"from": since.isoformat(), "to": until.isoformat(), "by": by, **only}
    form = AskedForm(names, today=until, cuts=ALL_CUTS)
    if problems := form.problems():
        raise RoundbookError("asked_wrongly", " ".join(problems))
    return form.asked()
