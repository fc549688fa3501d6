"""The forms of the calendar we keep: beginning one, laying lists down, closing a unit, and what a place must offer."""

from datetime import date, timedelta
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from results.calendar_rules import Needs
from results.forms_referral import day_field, time_field, words_field
from results.models import UnitCalendar
from staff.models import Site

WEEKDAYS = [
    (0, _("Monday")), (1, _("Tuesday")), (2, _("Wednesday")), (3, _("Thursday")), (4, _("Friday")), (5, _("Saturday")),
    (6, _("Sunday")),
]  # fmt: skip


class CalendarForm(forms.Form):
    """What they have in common: the day it is."""

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        self.today = today
        super().__init__(*args, **kwargs)
        self.use_required_attribute = False
        for field in self.fields.values():
            if field.error_messages.get("required") == forms.Field.default_error_messages["required"]:
                field.error_messages["required"] = _("Fill this in.")


class BeginForm(CalendarForm):
    """Beginning to keep a unit's calendar."""

    site = forms.ModelChoiceField(label=_("Unit"), queryset=Site.objects.none(), empty_label=None)
    kept_from = day_field(label=_("We keep its calendar from"))
    reserve_percent = forms.IntegerField(
        label=_("Kept back for urgent and repeat examinations, %"), min_value=0, max_value=50, initial=6,
        help_text=_("Of the points of each week; what is left is for everybody from three days before."),
    )  # fmt: skip
    points_each = forms.IntegerField(
        label=_("Points of an examination"), min_value=1, max_value=10, initial=2
    )
    points_more = forms.IntegerField(
        label=_("Points more for an interpreter or the theatre"), min_value=0, max_value=10, initial=1
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kept = UnitCalendar.objects.values("site")
        self.fields["site"].queryset = Site.objects.filter(does_colonoscopy=True).exclude(pk__in=kept)  # type: ignore[attr-defined]
        self.fields["kept_from"].initial = self.today


class ListsForm(CalendarForm):
    """The same list on several weekdays of a span."""

    site = forms.ModelChoiceField(label=_("Unit"), queryset=Site.objects.none(), empty_label=None)
    name = forms.CharField(label=_("Name"), max_length=40, initial=_("Morning list"))
    since = day_field(label=_("From"))
    until = day_field(label=_("Up to"), help_text=_("At most a year; closed days are left out."))
    weekdays = forms.TypedMultipleChoiceField(
        label=_("On"), choices=WEEKDAYS, coerce=int, widget=forms.CheckboxSelectMultiple,
        error_messages={"required": _("Choose at least one weekday.")},
    )  # fmt: skip
    starts = time_field(label=_("Begins at"), initial="08:30")
    points = forms.IntegerField(label=_("Points"), min_value=1, max_value=60, initial=12)
    minutes = forms.IntegerField(label=_("Minutes a point"), min_value=5, max_value=120, initial=20)
    theatre = forms.BooleanField(label=_("In the theatre, with an anaesthetist"), required=False)
    bed = forms.BooleanField(label=_("A bed for whoever has no escort home"), required=False)
    interpreter = forms.BooleanField(label=_("An interpreter can be there"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = Site.objects.filter(calendar__isnull=False)  # type: ignore[attr-defined]
        self.fields["since"].initial = self.today
        self.fields["until"].initial = self.today + timedelta(days=55)

    @property
    def offers(self) -> Needs:
        """What the lists can do."""
        data = self.cleaned_data
        return Needs(data["theatre"], data["bed"], data["interpreter"])


class CloseUnitForm(CalendarForm):
    """A unit is closed for a span."""

    site = forms.ModelChoiceField(
        label=_("Unit"), queryset=Site.objects.filter(does_colonoscopy=True), empty_label=None
    )
    since = day_field(label=_("From"))
    until = day_field(label=_("Up to"))
    why = words_field(label=_("Why"), help_text=_("As the people concerned will be told."))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["since"].initial = self.today + timedelta(days=1)

    def clean(self) -> dict[str, Any]:
        """A span from today on."""
        data = super().clean() or {}
        since, until = data.get("since"), data.get("until")
        if since and since < self.today:
            self.add_error("since", _("Choose today or a later day."))
        if since and until and until < since:
            self.add_error("until", _("The span must not end before it begins."))
        return data


class CancelForm(CalendarForm):
    """One list is cancelled."""

    why = words_field(label=_("Why"), help_text=_("As the people concerned will be told."))


class FindForm(CalendarForm):
    """What a place must offer; every field stands in the address."""

    site = forms.ModelChoiceField(
        label=_("Unit"), queryset=Site.objects.none(), required=False, empty_label=_("any we keep")
    )
    since = day_field(label=_("From"), required=False)
    until = day_field(label=_("Up to"), required=False)
    minutes = forms.TypedChoiceField(
        label=_("Way"), required=False, coerce=int, empty_value=None,
        choices=[("", _("any")), (30, _("up to 30 minutes")), (60, _("up to 60 minutes")), (90, _("up to 90 minutes"))],
    )  # fmt: skip
    bed = forms.BooleanField(label=_("Bed, no escort home"), required=False)
    interpreter = forms.BooleanField(label=_("Interpreter"), required=False)
    theatre = forms.BooleanField(label=_("Theatre"), required=False)
    urgent = forms.BooleanField(label=_("Urgent: the reserve too"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"].queryset = Site.objects.filter(calendar__isnull=False)  # type: ignore[attr-defined]

    @property
    def needs(self) -> Needs:
        """What the list must be able to do."""
        data = self.cleaned_data
        return Needs(data["theatre"], data["bed"], data["interpreter"])
