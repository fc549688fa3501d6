"""What people type about letters: notes of decisions, kinds to print, tokens at the sealing desk."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from outreach.catalogue import KINDS
from outreach.models import Form, NoticeRoute, Reprint
from outreach.services.reprints import OFFICE
from screening.models import Area, Practice
from staff.models import Site, User


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
        widget=forms.TextInput(attrs={"autofocus": True, "autocomplete": "off", "spellcheck": "false"}),
        help_text=_("Scan or type it as printed, for example 12-41-J."),
        error_messages={"required": _("Type the token at the foot of the page you pulled out.")},
    )


class TextForm(forms.Form):
    """The words of a letter's next version."""

    words = forms.CharField(
        label=_("Words of every variant"), max_length=60_000, strip=False,
        widget=forms.Textarea(attrs={"rows": 30, "spellcheck": "true", "class": "words"}),
        error_messages={"required": _("Write the words. Nothing was saved.")},
    )  # fmt: skip
    why = forms.CharField(
        label=_("What you changed, and why"), max_length=200,
        error_messages={"required": _("Write what you changed and why. Nothing was saved.")},
    )  # fmt: skip


class ApproveForm(forms.Form):
    """From which day a text is in force."""

    valid_from = forms.DateField(
        label=_("In force from"), widget=forms.DateInput(attrs={"type": "date"}),
        error_messages={"required": _("Choose the day from which the words are in force."),
                        "invalid": _("Choose the day from which the words are in force.")},
    )  # fmt: skip


class ReprintForm(forms.Form):
    """Which places of a run are printed again, and why."""

    first = forms.IntegerField(label=_("First place"), min_value=1)
    last = forms.IntegerField(label=_("Last place"), min_value=1)
    reason = forms.ChoiceField(label=_("Why"), choices=Reprint.Reason.choices)
    agreed_by = forms.ModelChoiceField(
        label=_("Second person who agrees"), queryset=User.objects.none(), required=False,
        help_text=_("Needed for more than 20 papers."),
    )  # fmt: skip
    password = forms.CharField(
        label=_("Their own password"), strip=False, required=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "off"}),
        help_text=_("Typed by the second person, after seeing the first papers destroyed."),
    )  # fmt: skip
    destroyed = forms.BooleanField(
        label=_("The first papers are destroyed"), required=True,
        error_messages={"required": _("Destroy the first papers, then say so. Nothing was changed.")},
    )  # fmt: skip

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        found = User.objects.colleagues(*OFFICE).exclude(pk=by.pk)
        self.fields["agreed_by"].queryset = found  # type: ignore[attr-defined]  # a ModelChoiceField


class SettleForm(forms.Form):
    """What became of a letter that came back, or of a message in doubt."""

    do = forms.ChoiceField(choices=[(x, x) for x in ("reached", "again", "sent", "not_sent")])
    note = forms.CharField(
        max_length=400, error_messages={"required": _("Write how you know. Nothing was changed.")}
    )


class WishForm(forms.Form):
    """How a person wants to hear from us."""

    form = forms.ChoiceField(label=_("Reads best"), choices=Form.choices)
    text = forms.BooleanField(label=_("agrees to text messages"), required=False)
    email = forms.BooleanField(label=_("agrees to e-mail"), required=False)
    source = forms.CharField(label=_("How we know"), max_length=120, required=False)


class ReplyForm(forms.Form):
    """The answer to a request about data."""

    reply = forms.CharField(
        label=_("The answer"), max_length=1200, widget=forms.Textarea(attrs={"rows": 5}),
        error_messages={"required": _("Write the answer. Nothing was written.")},
    )  # fmt: skip
    identity = forms.CharField(
        label=_("How you know who is asking"), max_length=120,
        error_messages={"required": _("Say how you know who is asking. Nothing was written.")},
    )  # fmt: skip


def first_error(form: forms.Form) -> Any:
    """The first sentence of what is wrong."""
    return next(iter(form.errors.values()))[0]


ANY = "any"


class DesksForm(forms.Form):
    """The desk of every area."""

    def __init__(self, *args: Any, now: dict[str, str], **words: Any) -> None:
        """`now`: code of an area → code of its desk."""
        super().__init__(*args, **words)
        sites = Site.objects.filter(receives_kits=True).values_list("code", "name")
        choices = [(ANY, _("any desk")), *sites]
        for area in Area.objects.order_by("name"):
            self.fields[f"area_{area.code}"] = forms.ChoiceField(
                label=area.name, choices=choices, initial=now.get(area.code, ANY),
                error_messages=dict.fromkeys(
                    ("required", "invalid_choice"), _("Choose a desk that receives kits. Nothing was changed.")
                ),
            )  # fmt: skip

    @property
    def wanted(self) -> dict[str, str]:
        """Code of an area → code of the desk chosen for it."""
        chosen = {name.removeprefix("area_"): desk for name, desk in self.cleaned_data.items()}
        return {area: "" if desk == ANY else desk for area, desk in chosen.items()}


class NoticeRouteForm(forms.Form):
    """How a practice takes notices."""

    practice = forms.ModelChoiceField(
        label=_("Practice"), queryset=Practice.objects.all(), empty_label=_("Choose a practice"),
        error_messages={"required": _("Choose a practice. Nothing was changed.")},
    )  # fmt: skip
    way = forms.ChoiceField(label=_("It takes notices"), choices=NoticeRoute.Way.choices)
    address = forms.CharField(
        label=_("Address of its system"), max_length=300, required=False,
        help_text=_("Only for an address: where FHIR Communications are posted, beginning with https."),
    )  # fmt: skip
