"""Forms of the person page: a stop, a postponement and a medical exclusion."""

from django import forms
from django.utils.translation import gettext_lazy as _

from screening.access import NOTE_CHARACTERS
from screening.models import REASONS, StopScope
from screening.services.exclusions import RECORDABLE
from staff.models import Purpose


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


class ExclusionForm(forms.Form):
    """Why a person is left out for a time, how we know, and until when."""

    kind = forms.ChoiceField(label=_("Reason"), choices=[(kind.value, kind.label) for kind in RECORDABLE])
    note = forms.CharField(
        label=_("How we know"),
        max_length=200,
        help_text=_(
            "Bleeding, pain or loss of weight is no reason to leave somebody out: it is a reason to see a doctor."
        ),
    )
    until = forms.DateField(
        label=_("Until"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text=_("Six months when left empty; a clinician or the manager can make it last."),
    )


class NoteForm(forms.Form):
    """Something told that fits nowhere else."""

    words = forms.CharField(
        label=_("Note"), max_length=400, widget=forms.Textarea(attrs={"rows": 3}),
        help_text=_("Symptoms belong to the person's doctor: say so on the phone, and write that you said it."),
        error_messages={"required": _("Write what was said.")},
    )  # fmt: skip


class LookForm(forms.Form):
    """Why somebody opens a person who is on none of today's lists."""

    purpose = forms.ChoiceField(
        label=_("Why do you open this record?"), widget=forms.RadioSelect, initial=Purpose.CALL,
        choices=[(one.value, one.label) for one in REASONS],
    )  # fmt: skip
    note = forms.CharField(
        label=_("In a few words"), max_length=NOTE_CHARACTERS, required=False,
        help_text=_("An auditor reads it, and the person may ask who looked and why; this is what is shown then."),
    )  # fmt: skip
