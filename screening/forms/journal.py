"""The filters of the access journal; each lives in the address, and none is a name."""

from datetime import date, timedelta
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from staff.models import Purpose, User

USUAL_DAYS = 7


class JournalForm(forms.Form):
    """Whose record, who looked, when, and for what; without an answer the last seven days of everybody."""

    record = forms.IntegerField(label=_("Record number"), required=False, min_value=1)
    user = forms.ModelChoiceField(
        label=_("Who looked"), queryset=User.objects.all(), required=False, empty_label=_("everybody")
    )
    purpose = forms.ChoiceField(
        label=_("What for"), required=False, choices=[("", _("any reason")), *Purpose.choices]
    )
    to = forms.DateField(
        label=_("To"), required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )

    def __init__(self, data: Any, *, today: date) -> None:
        given = data.copy()
        given.setdefault("from", str(today - timedelta(days=USUAL_DAYS - 1)))
        given.setdefault("to", str(today))
        super().__init__(given, auto_id="journal_%s")
        since = forms.DateField(
            label=_("From"), required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
        )
        self.fields = {"from": since, **self.fields}

    def clean(self) -> dict[str, Any]:
        """The days must run forwards."""
        cleaned = dict(super().clean() or {})
        since, until = cleaned.get("from"), cleaned.get("to")
        if since and until and since > until:
            raise forms.ValidationError(_("The last day lies before the first."), code="days")
        return cleaned


class NumberForm(forms.Form):
    """The person number of whom the question is about; sent by POST, so that it stands in no address."""

    number = forms.CharField(label=_("Person number"), max_length=20)
