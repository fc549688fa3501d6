"""Forms of the person page: a stop and a postponement."""

from django import forms
from django.utils.translation import gettext_lazy as _

from screening.models import StopScope


class StopForm(forms.Form):
    """What the person no longer wants, and how we know."""

    scope = forms.ChoiceField(
        label=_("The person no longer wants"),
        choices=StopScope.choices,
        help_text=_("It never stops a result, a referral or the letters about them."),
    )
    source = forms.CharField(
        label=_("How we know"),
        max_length=120,
        help_text=_("For example: called on her own phone, name and birth date checked."),
    )


class PostponeForm(forms.Form):
    """Until when the person waits."""

    until = forms.DateField(
        label=_("Not before"),
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text=_("At most twelve months ahead."),
    )
    note = forms.CharField(label=_("Why"), max_length=200, required=False)
