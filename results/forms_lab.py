"""The forms of the laboratory's pages: controls, files, and the words that decisions need."""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

from django import forms
from django.utils.formats import date_format
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from results.models import CheckLot, ControlLot, LabLot, Run, Unit
from results.services.control_plans import CheckValues
from results.services.runs_controls import ControlValues
from results.units import round_half_up
from screening.models import KitModel
from staff.models import User
from staff.roles import Role

WORDS = forms.Textarea(attrs={"rows": 3})


class ControlsForm(forms.Form):
    """One field for each control lot, the value as the display shows it, and one for each pass/fail check."""

    def __init__(
        self, *args: Any, lots: Sequence[ControlLot], checks: Sequence[CheckLot] = (), needed: bool = True, **kwargs: Any
    ) -> None:  # fmt: skip
        super().__init__(*args, **kwargs)
        self.lots, self.check_lots = lots, checks
        for lot in lots:
            self.fields[f"control_{lot.pk}"] = forms.DecimalField(
                label=str(lot),
                required=needed,
                min_value=0,
                max_digits=8,
                decimal_places=3,
                help_text=_expected(lot),
            )
        for check in checks:
            self.fields[f"check_{check.pk}"] = forms.ChoiceField(
                label=str(check),
                required=needed,
                choices=[("", "–"), ("passed", _("passed")), ("failed", _("did not pass"))],
                help_text=_now("Must show: %(expected)s.") % {"expected": check.expected},
            )

    def checks(self) -> CheckValues:
        """The checks that were run, with whether they passed."""
        found = ((lot, self.cleaned_data.get(f"check_{lot.pk}")) for lot in self.check_lots)
        return [(lot, said == "passed") for lot, said in found if said]

    def readings(self) -> ControlValues:
        """The controls that were measured, with their values."""
        found = ((lot, self.cleaned_data.get(f"control_{lot.pk}")) for lot in self.lots)
        return [(lot, value) for lot, value in found if value is not None]


def _expected(lot: ControlLot) -> str:
    low, high = lot.target - 2 * lot.sd, lot.target + 2 * lot.sd
    return _now("Expected %(target)s %(unit)s, usually %(low)s to %(high)s. Lot in date until %(day)s.") % {
        "target": _plain(lot.target), "unit": Unit(lot.unit).label, "low": _plain(low), "high": _plain(high),
        "day": date_format(lot.expires_on),
    }  # fmt: skip


def _plain(value: Decimal) -> str:
    return format(value.normalize(), "f")


class OpeningForm(ControlsForm):
    """The unit on the display and the opening controls."""

    unit = forms.ChoiceField(label=_("Which unit does the display show?"), widget=forms.RadioSelect)

    def __init__(
        self, *args: Any, lots: Sequence[ControlLot], lab_lots: Sequence[LabLot] = (), **kwargs: Any
    ) -> None:
        super().__init__(*args, lots=lots, **kwargs)
        self.fields["unit"] = forms.ChoiceField(
            label=_("Which unit does the display show?"),
            choices=[(unit, _unit_words(unit, lots)) for unit in Unit.values],
            widget=forms.RadioSelect,
            help_text=_("Look at the display, not at this page. Then type what it shows for each control."),
        )
        self.fields["device_limit"] = forms.DecimalField(
            label=_("Limit set on the analyser for its own yes or no"), required=False, min_value=Decimal("0.001"), max_digits=9,
            decimal_places=3, help_text=_("Read it in the analyser's set-up, in the unit above. Leave it empty if it reports numbers only."),
        )  # fmt: skip
        if lab_lots:
            self.fields["codes"] = forms.CharField(
                label=_("Lots in use"), required=False, widget=forms.Textarea(attrs={"rows": 3, "autocomplete": "off"}),
                help_text=_("Scan the lot on each pack in use, one a line: reagent, consumable, calibrator."),
            )  # fmt: skip

    def codes_read(self) -> list[str]:
        """The scanned lots."""
        return str(self.cleaned_data.get("codes") or "").split()


def _unit_words(unit: str, lots: Sequence[ControlLot]) -> str:
    """The unit with what the controls should read in it."""
    own = [lot for lot in lots if lot.unit == unit]
    if own:
        values = [_plain(lot.target) for lot in own]
    else:
        model = KitModel.objects.order_by("pk").first()
        if model is None:
            return Unit(unit).label
        factor = Fraction(model.buffer_ml) / Fraction(model.stool_mg)
        scale = factor if unit == Unit.UG_G else 1 / factor
        values = [_plain(round_half_up(Fraction(lot.target) * scale, 1)) for lot in lots]
    told = {"unit": Unit(unit).label, "values": _now(" and ").join(values)}
    return _now("%(unit)s – controls read about %(values)s") % told


class ClosingForm(ControlsForm):
    """The closing controls; one that was not measured holds the run."""

    def __init__(self, *args: Any, lots: Sequence[ControlLot], **kwargs: Any) -> None:
        super().__init__(*args, lots=lots, needed=False, **kwargs)
        self.fields["missing"] = forms.BooleanField(
            label=_("A control could not be measured: hold the run"), required=False
        )

    def clean(self) -> dict[str, Any]:
        """Either every level or the tick."""
        cleaned = super().clean() or {}
        measured = len(self.readings()) + len(self.checks())
        if (
            measured < len(self.lots) + len(self.check_lots)
            and not cleaned.get("missing")
            and not self.errors
        ):
            raise forms.ValidationError(_("Type every control, or tick that one could not be measured."))
        return cleaned


class FileForm(forms.Form):
    """A readings file for a run that is open."""

    file = forms.FileField(
        label=_("Readings file"),
        help_text=_(
            "CSV with the columns running_number, serial, value, unit, flag, read_at; HL7 v2.5.1 ORU^R01; or LIS2-A2."
            " Every line is answered; none is lost."
        ),
    )


class FileForRunForm(FileForm):
    """A readings file, and the open run it belongs to."""

    run = forms.ModelChoiceField(label=_("Run"), queryset=Run.objects.none(), empty_label=None)
    field_order = ("run", "file")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["run"].queryset = Run.objects.filter(status=Run.Status.OPEN).select_related("analyser")  # type: ignore[attr-defined]  # a ModelChoiceField


class NoteForm(forms.Form):
    """What was found, in words."""

    note = forms.CharField(label=_("What was found"), max_length=120)


class SignedBySecond(forms.Form):
    """The second person who agrees: here, by their own password after reading the words above, or where they are (R14)."""

    second = forms.ModelChoiceField(
        label=_("Second person who agrees"), queryset=User.objects.none(), required=False
    )
    second_password = forms.CharField(
        label=_("Their own password"), strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "off"}),
        help_text=_("Typed by the second person, after reading the words above."), required=False,
    )  # fmt: skip
    elsewhere = forms.BooleanField(
        label=_("Nobody is here: ask, and let them agree where they are"), required=False,
        help_text=_("Nothing changes before somebody else agrees on the page “Agree to a change”."),
    )  # fmt: skip
    seconds: tuple[str, ...] = (Role.LABORATORY,)

    def __init__(self, *args: Any, by: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people = User.objects.colleagues(*self.seconds).exclude(pk=by.pk)
        self.fields["second"].queryset = people  # type: ignore[attr-defined]  # a ModelChoiceField

    def clean(self) -> dict[str, Any]:
        """Either somebody signs here, or the question is put to whoever is elsewhere."""
        facts = super().clean() or {}
        if not facts.get("elsewhere"):
            for name in ("second", "second_password"):
                if not facts.get(name) and name not in self.errors:
                    self.add_error(name, _("Needed here, unless you ask somebody who is somewhere else."))
        return facts


class ResolveForm(SignedBySecond):
    """How a held run is settled."""

    what = forms.ChoiceField(
        label=_("What happens to its samples"),
        choices=[
            ("retest", _("measure them all again")),
            ("release", _("release them; the words below justify it")),
        ],
        initial="retest",
        widget=forms.RadioSelect,
    )
    resolution = forms.CharField(label=_("What was found and done"), widget=WORDS)
    field_order = ("what", "resolution", "second", "second_password", "elsewhere")


def holders(role: str) -> Any:
    """Active people who hold a role."""
    return User.objects.colleagues(role)


class DecideForm(forms.Form):
    """What a person decides about one sample on the release list, and why."""

    what = forms.ChoiceField(label=_("Decision"), widget=forms.RadioSelect)
    reason = forms.CharField(label=_("Why"), widget=WORDS)
    clinician = forms.ModelChoiceField(
        label=_("Clinician who looked at both results"), queryset=User.objects.none(), required=False
    )

    def __init__(
        self, *args: Any, choices: Sequence[tuple[str, object]], ask_clinician: bool, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["what"] = forms.ChoiceField(
            label=_("Decision"), choices=list(choices), widget=forms.RadioSelect
        )
        if ask_clinician:
            self.fields["clinician"].queryset = holders(Role.CLINICIAN)  # type: ignore[attr-defined]  # a ModelChoiceField
        else:
            del self.fields["clinician"]
