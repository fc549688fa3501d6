"""The form that adds a client, and the one that makes its next token."""

from django import forms
from django.utils.translation import gettext_lazy as _

from staff.models import Site
from staff.roles import PEOPLE, Role
from staff.services.clients import LONGEST_DAYS

ROLES = [(one.value, one.label) for one in Role if one in PEOPLE]


class TokenForm(forms.Form):
    """How long the token lasts."""

    days = forms.IntegerField(
        label=_("The token lasts, days"), min_value=1, max_value=LONGEST_DAYS, initial=365
    )


class ClientForm(TokenForm):
    """A program, what it may do, and where."""

    field_order = ("name", "about", "role", "site", "days")
    name = forms.CharField(label=_("What the program is called"), max_length=120)
    about = forms.CharField(
        label=_("Which system it is, and whom to call about it"), max_length=200,
    )  # fmt: skip
    role = forms.ChoiceField(
        label=_("Its role"), choices=ROLES, help_text=_("It may do through the doors what this role may do on the pages.")
    )
    site = forms.ModelChoiceField(
        label=_("Its site"), queryset=Site.objects.all(), required=False, empty_label=_("the whole programme"),
        help_text=_("Bound to one site, it sees that site's things alone."),
    )  # fmt: skip
