"""The forms of a referral: one for each thing that can be recorded; every form carries what its reader had seen."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from results.calendar_board import kept_on
from results.models import ClosingEvidence, ContactAttempt, Referral, UnitCalendar
from results.states import REFERRAL_CLOSE_REASONS
from staff.models import Site, User
from staff.roles import Role


def day_field(**kwargs: Any) -> forms.DateField:
    """A day, with the browser's own calendar."""
    return forms.DateField(widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), **kwargs)


def time_field(**kwargs: Any) -> forms.TimeField:
    """A time of day."""
    return forms.TimeField(widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"), **kwargs)


def words_field(*, rows: int = 2, **kwargs: Any) -> forms.CharField:
    """A few sentences."""
    return forms.CharField(widget=forms.Textarea(attrs={"rows": rows}), **kwargs)


def yes_no_field(label: Any, *, required: bool = True) -> forms.TypedChoiceField:
    """A question that must be answered, unless said otherwise: neither answer is chosen beforehand."""
    return forms.TypedChoiceField(
        label=label,
        required=required,
        empty_value=None,
        choices=[("yes", _("Yes")), ("no", _("No"))],
        coerce=lambda answer: answer == "yes",
        widget=forms.RadioSelect,
        error_messages={"required": _("Answer yes or no.")},
    )


class ReferralForm(forms.Form):
    """What all have in common: `seen`, the number of the last move the page was drawn with."""

    in_columns = False
    seen = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(
        self, data: Mapping[str, Any] | None = None, *, referral: Referral, user: User, today: date, prefix: str
    ) -> None:  # fmt: skip
        self.referral, self.user, self.today = referral, user, today
        super().__init__(data, prefix=prefix, auto_id=f"id_{prefix}_%s")
        self.use_required_attribute = False
        self.fields["seen"].initial = referral.last_seq
        for field in self.fields.values():
            if field.error_messages.get("required") == forms.Field.default_error_messages["required"]:
                field.error_messages["required"] = _("Fill this in.")


def sometimes_needed(form: forms.Form, *names: str) -> None:
    """Fields that another answer demands: they may be left empty, and are not called optional."""
    for name in names:
        form.fields[name].sometimes_needed = True  # type: ignore[attr-defined]


class NoteForm(ReferralForm):
    """A note and nothing else."""

    note = words_field(label=_("Note"), required=False)


class ReasonForm(ReferralForm):
    """A note that must be written."""

    note = words_field(label=_("Why"))


class ChaseForm(ReferralForm):
    """Somebody was asked again."""

    note = words_field(label=_("Whom you asked, and what they said"))


class AttemptForm(ReferralForm):
    """An attempt that did not reach the person."""

    channel = forms.ChoiceField(label=_("How"), choices=ContactAttempt.Channel.choices, initial="phone")
    outcome = forms.ChoiceField(
        label=_("What happened"), choices=[c for c in ContactAttempt.Outcome.choices if c[0] != "spoke"],
        widget=forms.RadioSelect, error_messages={"required": _("Choose what happened.")},
    )  # fmt: skip
    call_back_on = day_field(label=_("Asked to be called back on"), required=False)
    call_back_at = time_field(label=_("at"), required=False)
    note = words_field(label=_("Note"), required=False)

    def clean(self) -> dict[str, Any]:
        """Letters are sent, calls are not."""
        data = super().clean() or {}
        sent, letter = data.get("outcome") == "sent", data.get("channel") in {"letter", "tracked"}
        if data.get("outcome") and letter != sent and data.get("channel") != "doctor":
            self.add_error(
                "outcome", _("A letter is “sent”; a call or a visit has another outcome. Change one of them.")
            )
        if data.get("call_back_at") and not data.get("call_back_on"):
            self.add_error("call_back_on", _("Write the day as well as the time."))
        return data


class TalkForm(ReferralForm):
    """A talk with the person, and what the person wants."""

    wish = forms.ChoiceField(
        label=_("What the person wants"),
        choices=[
            ("go_on", _("to go on with the examination")),
            ("think", _("to think about it")),
            ("call_back", _("to be called at another time")),
            ("declines", _("not to be examined (a clinician talks with the person next)")),
        ],
        widget=forms.RadioSelect,
        error_messages={"required": _("Choose what the person wants.")},
    )
    call_back_on = day_field(
        label=_("Call again on"),
        required=False,
        help_text=_("For “think”: at most 14 days ahead; empty means 14 days."),
    )
    call_back_at = time_field(label=_("at"), required=False, help_text=_("A call-back needs a time of day."))
    note = words_field(label=_("Note"), required=False)


class SiteForm(ReferralForm):
    """Asking a site for a date."""

    site = forms.ModelChoiceField(
        label=_("Colonoscopy unit"), queryset=Site.objects.filter(does_colonoscopy=True), empty_label=None
    )
    note = words_field(label=_("Needs to tell the site"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        only_asked_units(self.fields["site"], self.today)


def only_asked_units(field: forms.Field, today: date) -> None:
    """Leave out the units whose calendar we keep: there a place is found on a list."""
    kept = UnitCalendar.objects.filter(kept_on(today)).values("site")
    field.queryset = Site.objects.filter(does_colonoscopy=True).exclude(pk__in=kept)  # type: ignore[attr-defined]


class BookForm(ReferralForm):
    """Site, day and time; a day past the promise must be confirmed."""

    site = forms.ModelChoiceField(
        label=_("Colonoscopy unit"), queryset=Site.objects.filter(does_colonoscopy=True), empty_label=None
    )
    day = day_field(label=_("Day"))
    time = time_field(label=_("Time"))
    agreed = forms.BooleanField(
        label=_("The person knows this day and agrees"), required=False,
        help_text=_("Otherwise we ask three days before."),
    )  # fmt: skip
    late = forms.BooleanField(
        label=_("Yes, this day is past the promise, and no earlier one can be had"), required=False
    )

    def __init__(self, *args: Any, promise_days: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.promise_days = promise_days
        only_asked_units(self.fields["site"], self.today)
        if not self.is_bound:
            del self.fields["late"]

    def clean_day(self) -> date:
        """Not in the past."""
        day: date = self.cleaned_data["day"]
        if day < self.today:
            raise forms.ValidationError(_("The day lies in the past. Choose today or a later day."))
        return day

    def clean(self) -> dict[str, Any]:
        """Warn once when the day is past the promise; asking again with the tick goes through."""
        data = super().clean() or {}
        day = data.get("day")
        waited = (day - self.referral.opened_on).days if day else 0
        if day and waited > self.promise_days and not data.get("late"):
            self.add_error(
                "late",
                _(
                    "On that day the person will have waited %(n)s days; promised are %(promise)s. Seek an earlier day, or confirm."
                )
                % {"n": waited, "promise": self.promise_days},
            )
        elif not data.get("late") and "late" in self.fields:
            del self.fields["late"]
        return data


class AttendForm(ReferralForm):
    """What became of a booking."""

    outcome = forms.ChoiceField(
        label=_("What happened"),
        choices=[
            ("attended", _("attended")),
            ("missed", _("did not attend")),
            ("cancelled_person", _("cancelled by the person")),
            ("cancelled_site", _("cancelled by the site")),
        ],
        widget=forms.RadioSelect,
        error_messages={"required": _("Choose what happened.")},
    )
    note = words_field(label=_("Note"), required=False)


class RepeatForm(ReferralForm):
    """Another examination, planned by a clinician."""

    on = day_field(label=_("On or about"), help_text=_("At most 12 months ahead."))
    note = words_field(label=_("Why"))


class CloseForm(ReferralForm):
    """Closing, with a reason and what it demands."""

    reason = forms.ChoiceField(
        label=_("Reason"),
        choices=[
            ("", _("choose")),
            *[(k, w) for k, w in REFERRAL_CLOSE_REASONS.items() if k != "not_reached"],
        ],
    )
    refusal = forms.ChoiceField(
        label=_("For a refusal: the main reason"), choices=[("", _("choose")), *ClosingEvidence.Refusal.choices],
        required=False, help_text=_("It is offered again after 3 and 12 months."),
    )  # fmt: skip
    document = forms.CharField(
        label=_("Document: number or file"), max_length=80, required=False,
        help_text=_("Needed when examined before or elsewhere, or transferred."),
    )  # fmt: skip
    examined_on = day_field(
        label=_("Day of the examination elsewhere"), required=False,
        help_text=_("The next round counts from it; empty counts from the result."),
    )  # fmt: skip
    note = words_field(
        label=_("Note"), required=False, rows=3, help_text=_("Needed for a refusal and for “unfit for good”.")
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        sometimes_needed(self, "refusal", "document", "note")
        planned = self.referral.origin == Referral.Origin.SURVEILLANCE
        hidden = "result_withdrawn" if planned else "surveillance_ended"
        field = self.fields["reason"]
        field.choices = [(key, words) for key, words in field.choices if key != hidden]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """A refusal says why."""
        data = super().clean() or {}
        if data.get("reason") == "informed_refusal" and not data.get("refusal"):
            self.add_error("refusal", _("Choose why the person declines."))
        return data


class PauseForm(ReferralForm):
    """A pause until a day."""

    clinical = forms.BooleanField(
        label=_("Unfit until then (only a clinician; up to 12 months)"), required=False
    )
    until = day_field(label=_("Until"), help_text=_("At the person's wish: at most 28 days."))
    note = words_field(label=_("Why"))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if Role.CLINICIAN not in self.user.roles:
            del self.fields["clinical"]


class ThinkForm(ReferralForm):
    """Undecided until a day."""

    on = day_field(label=_("Ask again on"), help_text=_("At most 14 days ahead."))
    note = words_field(label=_("Note"), required=False)


class ElsewhereForm(ReferralForm):
    """Examined elsewhere; the report is awaited."""

    where = forms.CharField(label=_("Where"), max_length=120)


class DateForm(ReferralForm):
    """Another next date."""

    due_on = day_field(label=_("Next date"), help_text=_("At most 30 days ahead."))
    due_time = time_field(label=_("Time of day"), required=False)
    note = words_field(label=_("Why"))


class HandOverForm(ReferralForm):
    """Giving the referral to a colleague, or to the clinicians."""

    to = forms.ModelChoiceField(
        label=_("To"), queryset=User.objects.none(), required=False, empty_label=_("the clinicians")
    )
    note = words_field(label=_("Note"), required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        found = User.objects.colleagues(Role.COORDINATOR, Role.CLINICIAN)
        self.fields["to"].queryset = found.exclude(pk=self.user.pk)  # type: ignore[attr-defined]
