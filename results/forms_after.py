"""Forms of what comes after an examination: the call at 14 and 30 days, an adverse event, its judgement, a cancer reported later."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from results.cancers import STAGES
from results.forms_referral import ReferralForm, day_field, words_field
from results.forms_report import plain_number
from results.models import AdverseEvent, AfterCall, CancerReport, EventJudgement, Examination
from results.services.after_examination import MARKS, answered
from screening.access import person_of_document
from staff.models import User

EVENT_FIELDS = ("kind", "severity", "happened_on", "source", "words")


class EventForm(ReferralForm):
    """Harm after an examination."""

    in_columns = True
    examination = forms.ModelChoiceField(
        label=_("After which examination"), queryset=Examination.objects.none(), empty_label=None
    )
    kind = forms.ChoiceField(label=_("What"), choices=[("", _("choose")), *AdverseEvent.Kind.choices])
    severity = forms.ChoiceField(
        label=_("How severe"), choices=[("", _("choose")), *AdverseEvent.Severity.choices]
    )
    happened_on = day_field(label=_("When it happened"))
    source = forms.CharField(label=_("Who told"), max_length=80)
    words = words_field(label=_("What happened"))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = self.referral.examinations.order_by("-day", "-pk")
        self.fields["examination"].queryset = choices  # type: ignore[attr-defined]
        self.fields["examination"].initial = choices.first()


class AfterCallForm(EventForm):
    """The call at 14 or 30 days; what happened is described in the same form."""

    mark = forms.TypedChoiceField(
        label=_("Which call"), coerce=int, choices=[(14, _("14 days after")), (30, _("30 days after"))]
    )
    answer = forms.ChoiceField(
        label=_("Answer"), choices=AfterCall.Answer.choices, widget=forms.RadioSelect,
        error_messages={"required": _("Choose the answer.")},
    )  # fmt: skip
    note = forms.CharField(label=_("Note"), max_length=400, required=False)
    field_order = ("seen", "examination", "mark", "answer", "note", *EVENT_FIELDS)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in EVENT_FIELDS:
            self.fields[name].required = False
        last = self.fields["examination"].initial
        if last is not None:
            passed = [
                mark for mark in MARKS if (self.today - last.day).days >= mark and not answered(last, mark)
            ]
            self.fields["mark"].initial = max(passed, default=MARKS[0])

    def clean(self) -> dict[str, Any]:
        """An event is described whole, and only where something happened."""
        data = super().clean() or {}
        if data.get("answer") == "event":
            for name in EVENT_FIELDS:
                if not data.get(name) and name not in self.errors:
                    self.add_error(name, _("Describe what happened."))
            data["event"] = {name: data.get(name) for name in EVENT_FIELDS}
        return data


class JudgeForm(ReferralForm):
    """What the committee says of an event."""

    event = forms.ModelChoiceField(
        label=_("Which event"), queryset=AdverseEvent.objects.none(), empty_label=None
    )
    cause = forms.ChoiceField(label=_("Cause"), choices=[("", _("choose")), *EventJudgement.Cause.choices])
    words = words_field(label=_("Grounds"))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        events = AdverseEvent.objects.filter(examination__referral=self.referral).order_by("-pk")
        self.fields["event"].queryset = events  # type: ignore[attr-defined]
        self.fields["event"].initial = events.first()


class CancerForm(forms.Form):
    """A cancer that somebody else diagnosed, and the two marks by which it is this person's."""

    number = forms.CharField(label=_("Person number on the document"), max_length=40)
    birth_date = day_field(label=_("Birth date on the document"))
    diagnosed_on = day_field(label=_("Diagnosed on"))
    origin = forms.ChoiceField(label=_("Origin"), choices=CancerReport.Origin.choices, initial="bowel")
    stage = forms.ChoiceField(
        label=_("Stage"), choices=[("", _("not known")), *((one, one) for one in STAGES)], required=False
    )
    treatment_on = day_field(label=_("Treatment began on, if known"), required=False)
    source = forms.CharField(label=_("Who reported it"), max_length=80)
    document = forms.CharField(label=_("Document: number or file"), max_length=80)
    uncertain = forms.BooleanField(label=_("It is not certain that it is this person"), required=False)
    second_reader = forms.ModelChoiceField(
        label=_("Second reader who says it is"), queryset=User.objects.none(), required=False,
        help_text=_("Without one an uncertain report is kept and counts nowhere."),
    )  # fmt: skip
    words = words_field(label=_("Note"), required=False)

    def __init__(self, *args: Any, readers: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.use_required_attribute = False
        self.fields["second_reader"].queryset = readers  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Finds the person by number and birth date together."""
        data = super().clean() or {}
        given, born = data.get("number"), data.get("birth_date")
        if given and born:
            data["person"] = person_of_document(number=plain_number(given), birth_date=born)
            if data["person"] is None:
                self.add_error(
                    "number", _("Number and birth date together are nobody's here. Read the document again.")
                )
        return data
