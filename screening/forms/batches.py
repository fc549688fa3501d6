"""The form that opens an invitation batch."""

from django import forms
from django.utils.translation import gettext_lazy as _

from screening.models import Area
from screening.services.batches import LARGEST_BATCH


class BatchForm(forms.Form):
    """How many people, of which area."""

    size = forms.IntegerField(label=_("How many people"), min_value=1, max_value=LARGEST_BATCH)
    area = forms.ModelChoiceField(
        label=_("Only from the area"), queryset=Area.objects.all(), required=False, empty_label=_("all areas")
    )
