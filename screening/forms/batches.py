"""Forms of the invitations: a batch, and a pause."""

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
