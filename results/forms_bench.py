"""The forms of the bench and of the laboratory's reference data."""

from typing import Any, ClassVar

from django import forms
from django.utils.translation import gettext_lazy as _

from results.forms_lab import WORDS
from results.models import (
    AnalyserVersion,
    BenchSteps,
    CheckLot,
    ControlLot,
    ControlPlan,
    KitModelProposal,
    LabLot,
)

DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class ScanForm(forms.Form):
    """The vial scanned before it is opened, and its position."""

    serial = forms.CharField(
        label=_("Scan the vial"), max_length=40,
        widget=forms.TextInput(attrs={"autofocus": True, "autocomplete": "off", "spellcheck": "false"}),
    )  # fmt: skip
    position = forms.IntegerField(label=_("Position"), min_value=1, initial=1)

    def __init__(self, *args: Any, positions: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if positions == 1:
            self.fields["position"].widget = forms.HiddenInput()


class CaptureForm(forms.Form):
    """What the display shows for one vial."""

    value = forms.CharField(
        label=_("Reading"), max_length=40, required=False, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )  # fmt: skip
    flag = forms.CharField(label=_("Flag, if the display shows one"), max_length=40, required=False)
    running_number = forms.IntegerField(
        label=_("Running number, if the display shows one"),
        required=False,
        min_value=1,
        max_value=999_999_999,
    )
    dilution = forms.IntegerField(
        label=_("Diluted 1 to"), initial=1, min_value=1, max_value=1000, help_text=_("1: not diluted.")
    )


class AgainForm(forms.Form):
    """The second, blind entry."""

    value = forms.CharField(
        label=_("Reading"), max_length=40, required=False, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )  # fmt: skip
    flag = forms.CharField(label=_("Flag"), max_length=40, required=False)


class DayCloseForm(forms.Form):
    """The count in the analyser's memory."""

    memory_count = forms.IntegerField(label=_("Results in the analyser's memory today"), min_value=0)
    note = forms.CharField(label=_("Waste, temperatures, remarks"), widget=WORDS, required=False)


class ControlLotForm(forms.ModelForm):
    """A lot of a measured control level with target and SD."""

    class Meta:
        model = ControlLot
        fields: ClassVar = [
            "analyser", "material", "level", "lot", "unit", "target", "sd", "opened_on", "expires_on",
        ]  # fmt: skip
        widgets: ClassVar = {"opened_on": DAY, "expires_on": DAY}


class CheckLotForm(forms.ModelForm):
    """A lot of a pass/fail check."""

    class Meta:
        model = CheckLot
        fields: ClassVar = ["analyser", "material", "lot", "expected", "opened_on", "expires_on"]
        widgets: ClassVar = {"opened_on": DAY, "expires_on": DAY}


class PlanForm(forms.ModelForm):
    """A control scheme."""

    class Meta:
        model = ControlPlan
        fields: ClassVar = [
            "analyser", "valid_from", "levels", "checks", "every_samples", "every_hours", "range_rule", "across_materials",
            "on_1_2s", "on_1_3s", "on_2_2s", "on_r_4s", "on_4_1s", "on_10x",
        ]  # fmt: skip
        widgets: ClassVar = {"valid_from": DAY}


class StepsForm(forms.ModelForm):
    """The steps at the bench from a leaflet."""

    class Meta:
        model = BenchSteps
        fields: ClassVar = ["kit_model", "analyser", "valid_from", "leaflet", "steps"]
        widgets: ClassVar = {"valid_from": DAY, "steps": forms.Textarea(attrs={"rows": 6})}


class LabLotForm(forms.ModelForm):
    """A lot of reagent, consumable or calibrator."""

    class Meta:
        model = LabLot
        fields: ClassVar = [
            "kind", "analyser", "name", "lot", "tests_per_unit", "received_on", "opened_on", "expires_on", "verified_note",
        ]  # fmt: skip
        widgets: ClassVar = {"received_on": DAY, "opened_on": DAY, "expires_on": DAY}


class AnalyserForm(forms.ModelForm):
    """How an analyser is set up from a day on."""

    class Meta:
        model = AnalyserVersion
        fields: ClassVar = ["code", "site", "name", "usual_unit", "positions", "valid_from"]
        widgets: ClassVar = {"valid_from": DAY}
        help_texts: ClassVar = {"code": _("A known code makes its next version; a new one a new analyser.")}

    def clean_code(self) -> str:
        """Codes are compared in capitals."""
        return str(self.cleaned_data["code"]).strip().upper()


class KitModelForm(forms.ModelForm):
    """A version of a kit model, from its leaflet."""

    class Meta:
        model = KitModelProposal
        fields: ClassVar = [
            "name", "leaflet", "stool_mg", "buffer_ml", "lod_ug_g", "loq_ug_g", "upper_ug_g", "sample_age_limit_days",
            "valid_from",
        ]  # fmt: skip
        widgets: ClassVar = {"valid_from": DAY}
        help_texts: ClassVar = {
            "name": _("A known name makes its next version; lots in the book keep theirs.")
        }


class SlipForm(forms.Form):
    """Check samples of a run: where they stand and what they may read."""

    text = forms.CharField(
        label=_("Check samples"), widget=forms.Textarea(attrs={"rows": 4, "autocomplete": "off"}),
        help_text=_("One a line: running number, lowest, highest value in the run's unit, as the list kept apart says."),
    )  # fmt: skip


class StockForm(forms.Form):
    """How many packs are left."""

    packs_left = forms.DecimalField(label=_("Packs left"), min_value=0, max_digits=8, decimal_places=2)


class CommentForm(forms.Form):
    """What was found about a control reading."""

    words = forms.CharField(label=_("What was found and done"), widget=WORDS)
