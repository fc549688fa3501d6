"""Telling a figure that the registry cannot count."""

from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from oversight.models import ToldFigure
from oversight.services.told import TELLS
from screening.months import add_months


class MonthField(forms.DateField):
    """A month, as the browser's month field sends it (2026-03); any day of it when a whole day is typed."""

    def __init__(self, **kwargs: Any) -> None:
        said = {"invalid": _("That is no month. Write it as year-month, such as 2026-03.")}
        widget = forms.DateInput(attrs={"type": "month"}, format="%Y-%m")
        super().__init__(
            input_formats=["%Y-%m", "%Y-%m-%d"], error_messages=said, widget=widget, localize=False, **kwargs
        )


class TellForm(forms.Form):
    """What was told, for which months, by whom."""

    kind = forms.TypedChoiceField(
        label=_("What"), coerce=int, choices=[(kind, tells.counted) for kind, tells in TELLS.items()]
    )
    since = MonthField(label=_("First month"))
    until = MonthField(label=_("Last month"), help_text=_("The same as the first for a single month."))
    counted = forms.IntegerField(
        label=_("Counted"), min_value=0, max_value=ToldFigure.MOST, help_text=_("A whole number.")
    )
    out_of = forms.IntegerField(
        label=_("Out of"), required=False, min_value=0, max_value=ToldFigure.MOST,
        help_text=_(
            "Of calls: all calls, given up or not. Of reports: all pathology reports. Of cancers and deaths: person-years of all"
            " residents. Empty for complaints and cost."
        ),
    )  # fmt: skip
    source = forms.CharField(
        label=_("Told by"), max_length=120, help_text=_("Who told it, and in which document, so that it can be found again.")
    )  # fmt: skip

    def __init__(self, data: Any = None, *, today: date) -> None:
        last = add_months(today.replace(day=1), -1)
        super().__init__(data, initial={"since": last, "until": last})
        for name in ("since", "until"):
            self.fields[name].widget.attrs["max"] = f"{last:%Y-%m}"
        self.fields["out_of"].sometimes_needed = True  # type: ignore[attr-defined]
