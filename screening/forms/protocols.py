"""The form that proposes a change of the protocol: every field of screening's own section, as it is in force."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from screening.models import ScreeningPolicy
from screening.services.protocols import FIELDS


class ProposalForm(forms.Form):
    """What the new protocol is called, from when and why; the policy's own fields follow."""

    name = forms.CharField(label=_("Name"), max_length=80)
    valid_from = forms.DateField(
        label=_("In force from"),
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text=_("Tomorrow or later: a change never reaches back."),
    )
    reason = forms.CharField(label=_("Why"), max_length=500, widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(self, data: Any = None, *, base: ScreeningPolicy) -> None:
        super().__init__(
            data, initial={f: getattr(base, f) for f in FIELDS} | {"ramp_days": 0}, auto_id="p_%s"
        )
        self.fields |= forms.fields_for_model(ScreeningPolicy, FIELDS)

    def values(self) -> dict[str, Any]:
        """The policy's fields."""
        return {f: self.cleaned_data[f] for f in FIELDS}
