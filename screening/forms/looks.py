"""Forms of the page on which records opened with a reason are reviewed."""

from django import forms
from django.utils.translation import gettext_lazy as _

from staff.forms.ticked import TickedField

VERDICTS = (("yes", _("in order")), ("no", _("not in order")))
WORDS = 400


class TickedForm(forms.Form):
    """The looks that were ticked."""

    look = TickedField()


class ReviewForm(forms.Form):
    """One look judged; `replaces` names the review that stood on the page."""

    verdict = forms.ChoiceField(
        label=_("The look was"), choices=VERDICTS, error_messages={"required": _("Say whether it was in order.")}
    )  # fmt: skip
    words = forms.CharField(
        label=_("What you found"), max_length=WORDS, required=False, widget=forms.Textarea(attrs={"rows": 2}),
    )  # fmt: skip
    replaces = forms.IntegerField(required=False, widget=forms.HiddenInput, min_value=1)


class FollowUpForm(forms.Form):
    """What was done about a look that was not in order."""

    words = forms.CharField(
        label=_("What was done"), max_length=WORDS, widget=forms.Textarea(attrs={"rows": 2}),
        error_messages={"required": _("Say in words what was done about it.")},
    )  # fmt: skip
