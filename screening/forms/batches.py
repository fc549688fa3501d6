"""Forms of the invitations: a batch, a pause, a pace, the site that posts, and kits in doubt."""

from django import forms
from django.utils.translation import gettext_lazy as _

from screening.models import Area, InvitationPause
from screening.services.batches import LARGEST_BATCH


class BatchForm(forms.Form):
    """How many people, of which area."""

    size = forms.IntegerField(label=_("How many people"), min_value=1, max_value=LARGEST_BATCH)
    area = forms.ModelChoiceField(
        label=_("Only from the area"), queryset=Area.objects.all(), required=False, empty_label=_("all areas")
    )


class PauseForm(forms.Form):
    """From when until when nobody is invited, of which area, and why."""

    kind = forms.ChoiceField(label=_("Why"), choices=InvitationPause.Kind.choices)
    since = forms.DateField(label=_("From"), widget=forms.DateInput(attrs={"type": "date"}))
    until = forms.DateField(label=_("Until and with"), widget=forms.DateInput(attrs={"type": "date"}))
    area = forms.ModelChoiceField(
        label=_("Only in the area"), queryset=Area.objects.all(), required=False, empty_label=_("all areas")
    )
    note = forms.CharField(label=_("Note"), max_length=200, required=False)


class PaceForm(forms.Form):
    """How many people a working day, of which area, from when."""

    area = forms.ModelChoiceField(
        label=_("Of the area"), queryset=Area.objects.all(), required=False, empty_label=_("all together")
    )
    per_day = forms.IntegerField(
        label=_("People a working day"), min_value=1, max_value=50_000, required=False,
        help_text=_("Empty: no limit any more."),
    )  # fmt: skip
    since = forms.DateField(
        label=_("From"), widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    note = forms.CharField(label=_("Why"), max_length=200, required=False)


class DoubtForm(forms.Form):
    """A range of serials whose kits may lie beside another person's letter."""

    first = forms.CharField(label=_("First serial"), max_length=40)
    last = forms.CharField(label=_("Last serial"), max_length=40)
    why = forms.CharField(label=_("What happened"), max_length=200)
    posted = forms.BooleanField(label=_("they have left the building"), required=False)
