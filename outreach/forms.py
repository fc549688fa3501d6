"""What people type about letters: notes of decisions, kinds to print, tokens at the sealing desk."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from outreach.catalogue import KINDS


class DecisionForm(forms.Form):
    """What was decided about a held letter, and why."""

    do = forms.ChoiceField(choices=[("release", _("Let it go")), ("cancel", _("Cancel it"))])
    note = forms.CharField(
        max_length=400,
        error_messages={"required": _("Write what you checked or decided. Nothing was changed.")},
    )


class PrintForm(forms.Form):
    """Which letters go into the next print run; empty means every kind."""

    kind = forms.ChoiceField(choices=[("", ""), *((code, code) for code in KINDS)], required=False)


class TokenForm(forms.Form):
    """The token at the foot of a page."""

    token = forms.CharField(
        label=_("Token at the foot of the page"),
        max_length=24,
        help_text=_("Scan or type it as printed, for example 12-41-J."),
        error_messages={"required": _("Type the token at the foot of the page you pulled out.")},
    )


def first_error(form: forms.Form) -> Any:
    """The first sentence of what is wrong."""
    return next(iter(form.errors.values()))[0]
