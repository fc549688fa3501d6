"""Forms of the calendar: a closed day, and the holidays of a country."""

from django import forms
from django.utils.dates import WEEKDAYS
from django.utils.translation import gettext_lazy as _

from staff.models import Site
from staff.services.calendars import countries


class ClosedDayForm(forms.Form):
    """Which day, of which site, and what day it is."""

    day = forms.DateField(label=_("Day"), widget=forms.DateInput(attrs={"type": "date"}))
    name = forms.CharField(label=_("What day it is"), max_length=80)
    site = forms.ModelChoiceField(
        label=_("Site"), queryset=Site.objects.all(), required=False, empty_label=_("the whole programme")
    )


class NoPostForm(forms.Form):
    """On which day no post leaves, of which site, and why."""

    no_post = forms.DateField(label=_("Day"), widget=forms.DateInput(attrs={"type": "date"}))
    name = forms.CharField(label=_("Why"), max_length=80)
    site = forms.ModelChoiceField(
        label=_("Site"), queryset=Site.objects.all(), required=False, empty_label=_("the whole programme")
    )


class PostDaysForm(forms.Form):
    """On which days of the week post leaves a site."""

    weekdays = forms.TypedMultipleChoiceField(
        label=_("Post leaves on"), coerce=int, choices=sorted(WEEKDAYS.items()), widget=forms.CheckboxSelectMultiple,
        error_messages={"required": _("Choose at least one day of the week.")},
    )  # fmt: skip


class SeedForm(forms.Form):
    """The holidays of which country or region, and of which year."""

    code = forms.ChoiceField(label=_("Country or region"), choices=[])
    year = forms.IntegerField(label=_("Year"), min_value=2000, max_value=2100)
    site = forms.ModelChoiceField(
        label=_("Site"), queryset=Site.objects.all(), required=False, empty_label=_("the whole programme")
    )

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["code"].choices = [("", _("choose")), *countries()]  # type: ignore[attr-defined]
