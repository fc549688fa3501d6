"""Settling an entry of a list with evidence."""

from datetime import date, timedelta
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from oversight.net.things import THINGS


class StatementForm(forms.Form):
    """A printed statement, to be held against the registry."""

    day = forms.DateField(
        label=_("Day of the statement"),
        error_messages={"invalid": _("That is no day. Write it as year-month-day.")},
    )
    signature = forms.RegexField(
        r"^\s*([0-9a-fA-F]\s*){32}$",
        label=_("Signature of the page"),
        error_messages={
            "invalid": _("The signature has 32 letters and digits, 0 to 9 and a to f. Copy all of them.")
        },
    )


class SettleForm(forms.Form):
    """What was found and done, where it is written, and on which day somebody looks again."""

    thing = forms.ChoiceField(choices=[(name, name) for name in THINGS], widget=forms.HiddenInput)
    thing_id = forms.IntegerField(min_value=1, widget=forms.HiddenInput)
    since = forms.DateField(required=False, widget=forms.HiddenInput)
    evidence = forms.CharField(
        label=_("What was found and done"),
        help_text=_("So that somebody else can follow it: who was asked, what they said, what happens next."),
        min_length=10,
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    document = forms.CharField(label=_("Document, reference"), required=False, max_length=80)
    until = forms.DateField(
        label=_("Look again on"),
        help_text=_("At most a year ahead. Then it is back on the list, unless it was resolved."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )

    def __init__(self, data: Any = None, *, today: date) -> None:
        super().__init__(data, initial={"until": today + timedelta(days=30)})
        until = self.fields["until"].widget
        until.attrs |= {"min": str(today + timedelta(days=1)), "max": str(today + timedelta(days=366))}
