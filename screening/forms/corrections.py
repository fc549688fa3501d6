"""Forms with which staff correct what the register says of a person, or report a death."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from screening.models import CORRECTABLE, Person, Sex
from screening.services.corrections import fact_text


class CorrectionForm(forms.Form):
    """The facts as they stand; what is written over them outlives the next file."""

    family_name = forms.CharField(label=_("Family name"), max_length=120)
    given_names = forms.CharField(label=_("Given names"), max_length=120)
    birth_date = forms.DateField(
        label=_("Birth date"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    sex = forms.ChoiceField(label=_("Sex"), choices=Sex.choices)
    address_1 = forms.CharField(label=_("Address"), max_length=120, required=False)
    address_2 = forms.CharField(label=_("Address, second line"), max_length=120, required=False)
    locality = forms.CharField(label=_("Town"), max_length=120, required=False)
    postcode = forms.CharField(label=_("Postcode"), max_length=12, required=False)
    phone = forms.CharField(label=_("Phone"), max_length=24, required=False)
    email = forms.CharField(label=_("E-mail"), max_length=120, required=False)
    language = forms.CharField(label=_("Language"), max_length=12, required=False)
    note = forms.CharField(
        label=_("How we know"),
        max_length=200,
        help_text=_("The correction stays until the register itself says something new."),
    )

    @classmethod
    def of(cls, person: Person, data: Any = None) -> "CorrectionForm":
        """The form about one person; a hidden address is not put on the screen and so not corrected here."""
        form = cls(data, initial={f: fact_text(person, f) for f in CORRECTABLE}, auto_id="fact_%s")
        if person.hidden_address:
            for name in ("address_1", "address_2", "locality", "postcode"):
                del form.fields[name]
        return form

    def facts(self) -> dict[str, str]:
        """The facts as text."""
        return {f: "" if v is None else str(v) for f, v in self.cleaned_data.items() if f in CORRECTABLE}


class DeathForm(forms.Form):
    """That a person died, or that a recorded death is an error."""

    day = forms.DateField(label=_("Day of death"), widget=forms.DateInput(attrs={"type": "date"}))
    source = forms.CharField(label=_("How we know"), max_length=200)


class LivesForm(forms.Form):
    """That the recorded death is an error."""

    source = forms.CharField(label=_("How we know that the death is an error"), max_length=200)
