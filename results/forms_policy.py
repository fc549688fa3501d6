"""The form of a proposed follow-up policy."""

from datetime import date, timedelta
from typing import Any, ClassVar

from django import forms
from django.utils.translation import gettext_lazy as _

from results.forms_referral import day_field, words_field
from results.models import ResultsPolicy
from results.services.follow_up_policy import CHANGEABLE


class PolicyForm(forms.ModelForm):
    """From when, what, and why; it opens with what is in force."""

    valid_from = day_field(label=_("In force from"), help_text=_("Tomorrow at the earliest."))
    why = words_field(label=_("Why it is to change"), rows=3)

    field_order = ("valid_from", *CHANGEABLE, "why")

    class Meta:
        model = ResultsPolicy
        fields = CHANGEABLE
        widgets: ClassVar = {"who_books": forms.RadioSelect}

    def __init__(self, *args: Any, today: date, **kwargs: Any) -> None:
        self.today = today
        super().__init__(*args, **kwargs)
        self.use_required_attribute = False
        self.fields["valid_from"].initial = today + timedelta(days=14)
        self.fields["villous_counts"].required = False

    def _post_clean(self) -> None:
        """The service judges the whole: this form makes no policy by itself."""

    def clean(self) -> dict[str, Any]:
        """Numbers that cannot stand together are named beside the one to change."""
        data = super().clean() or {}
        promise, alarm, failed = (data.get(name) for name in ("examination_days", "alarm_days", "fail_days"))
        if promise and alarm and alarm <= promise:
            self.add_error("alarm_days", _("The alarm comes after the promised days."))
        if alarm and failed and failed <= alarm:
            self.add_error("fail_days", _("“Failed” comes after the alarm."))
        stop = data.get("surveillance_stop_age")
        if stop is not None and not 60 <= stop <= 110:
            self.add_error("surveillance_stop_age", _("Between 60 and 110."))
        day = data.get("valid_from")
        if day and day <= self.today:
            self.add_error("valid_from", _("Choose tomorrow or a later day."))
        return data
