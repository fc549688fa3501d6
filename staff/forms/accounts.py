"""The form that confirms the ticked accounts."""

from django import forms
from django.utils.translation import gettext_lazy as _

from staff.forms.ticked import TickedField


class ConfirmForm(forms.Form):
    """The accounts that were ticked, and a note."""

    account = TickedField()
    words = forms.CharField(
        label=_("Note"), max_length=200, required=False,
        help_text=_("For example: gone through with the heads of the sites."),
    )  # fmt: skip
