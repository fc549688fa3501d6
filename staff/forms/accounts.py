"""The form that confirms the ticked accounts."""

from django import forms
from django.utils.translation import gettext_lazy as _


class ConfirmForm(forms.Form):
    """The accounts that were ticked, and a note."""

    account = forms.TypedMultipleChoiceField(coerce=int, required=False)
    words = forms.CharField(
        label=_("Note"), max_length=200, required=False,
        help_text=_("For example: gone through with the heads of the sites."),
    )  # fmt: skip

    def __init__(self, data: object = None) -> None:
        super().__init__(data)
        sent = self.data.getlist("account") if hasattr(self.data, "getlist") else []
        self.fields["account"].choices = [(one, one) for one in sent if one.isdecimal() and len(one) < 19]
