"""The forms of look-backs, amendments and withdrawals."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from results.forms_lab import WORDS, SignedBySecond
from results.models import Analyser, ControlLot, LabLot, LookBack, LookBackRow, Reading, Result, Run
from screening.models import Delivery, KitDoubt, Lot
from staff import clock
from staff.roles import Role

HOUR = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
REFERENCES: dict[str, Any] = {
    "kit_lot": Lot, "lab_lot": LabLot, "control_lot": ControlLot, "run": Run, "hours": Analyser, "delivery": Delivery,
    "kit_doubt": KitDoubt,
}  # fmt: skip


class SecondForm(SignedBySecond):
    """A reason and the second person who agrees."""

    reason = forms.CharField(label=_("Why"), widget=WORDS)
    seconds = (Role.LABORATORY, Role.CLINICIAN)
    field_order: Sequence[str] = ("reason", "second", "second_password", "elsewhere")


class AmendForm(SecondForm):
    """The reading from which the next version is made."""

    reading = forms.ModelChoiceField(
        label=_("Reading that counts"), queryset=Reading.objects.none(), empty_label=None
    )
    field_order = ("reading", "reason", "second", "second_password", "elsewhere")

    def __init__(self, *args: Any, result: Result, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        readings = Reading.objects.filter(sample=result.sample_id, flag="").order_by("-pk")
        self.fields["reading"].queryset = readings  # type: ignore[attr-defined]  # a ModelChoiceField


class ActForm(SecondForm):
    """What is done about the chosen rows of a look-back."""

    action = forms.ChoiceField(
        label=_("What is done"),
        choices=[choice for choice in LookBackRow.Action.choices if choice[0]],
        widget=forms.RadioSelect,
    )
    field_order = ("action", "reason", "second", "second_password", "elsewhere")


class CloseForm(forms.Form):
    """What a look-back showed."""

    words = forms.CharField(label=_("What the look-back showed"), widget=WORDS)


class KindForm(forms.Form):
    """What is in doubt."""

    kind = forms.ChoiceField(label=_("What is in doubt"), choices=LookBack.Kind.choices)


class LookBackForm(forms.Form):
    """The lot, run, analyser or delivery in doubt, and why."""

    reason = forms.CharField(label=_("Why its results are in doubt"), widget=WORDS)
    field_order = ("ref", "from_at", "until_at", "reason")

    def __init__(self, *args: Any, kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        rows = REFERENCES[kind]._default_manager.order_by("-pk")
        label = dict(LookBack.Kind.choices)[kind]
        if kind == "run":
            rows = rows.exclude(status=Run.Status.REFUSED).select_related("analyser")
        self.fields["ref"] = forms.ModelChoiceField(label=str(label).capitalize(), queryset=rows)
        if kind == "hours":
            for name, words in (("from_at", _("From")), ("until_at", _("Until"))):
                self.fields[name] = forms.DateTimeField(
                    label=words, widget=HOUR, input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"]
                )
        self.order_fields(self.field_order)

    def clean(self) -> dict[str, Any]:
        """Hours are local to the laboratory."""
        cleaned = super().clean() or {}
        for name in ("from_at", "until_at"):
            moment = cleaned.get(name)
            if moment is not None:
                cleaned[name] = moment.replace(tzinfo=clock.zone()) if moment.tzinfo is None else moment
        return cleaned
