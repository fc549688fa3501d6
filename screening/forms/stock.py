"""The form that takes a box of kits into stock."""

from django import forms
from django.utils.translation import gettext_lazy as _

from screening.models import KitModel
from screening.services.stock import MOST_KITS


class StockForm(forms.Form):
    """Which lot came, and which serials."""

    kit_model = forms.ModelChoiceField(
        label=_("Kit model"), queryset=KitModel.objects.order_by("name", "-version"), empty_label=None
    )
    code = forms.CharField(label=_("Lot"), max_length=30, help_text=_("As it is printed on the box."))
    expires_on = forms.DateField(label=_("Expires on"), widget=forms.DateInput(attrs={"type": "date"}))
    first = forms.CharField(
        label=_("First serial number"),
        max_length=40,
        help_text=_("Scan the first kit of the box, or type its running number without the check character."),
    )
    count = forms.IntegerField(
        label=_("How many kits"),
        min_value=1,
        max_value=MOST_KITS,
        help_text=_("Their serials follow each other without a gap."),
    )
