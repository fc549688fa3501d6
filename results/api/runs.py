"""Runs and readings for programs: open with controls, load a file, measure controls in between, close."""

from collections.abc import Sequence
from typing import Any, ClassVar

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request

from results.models import Analyser, CheckLot, ControlLot, InboxLine, ReadingsFile, Run, Unit
from results.routes_lab import LARGEST_READINGS
from results.services.control_plans import CheckValues, plan_on
from results.services.messages import messages_retry
from results.services.readings import readings_load, verdict_counts
from results.services.readings_judging import TAKEN
from results.services.runs import controls_for, run_close, run_control, run_open
from results.services.runs_checks import checks_for
from results.services.runs_controls import ControlValues, run_sentence
from results.services.samples import samples_take_in
from staff import clock
from staff.api.base import Acts, Reads, Shown, asked, page_of
from staff.api.does import Does
from staff.api.fields import Key, Shape
from staff.errors import RoundbookError
from staff.models import User

PART = "Laboratory"
REFUSED = 200


class ControlLotShape(Shape):
    """A control that a run is opened and closed with."""

    id = serializers.IntegerField()
    material = serializers.CharField()
    level = serializers.IntegerField()
    lot = serializers.CharField()
    unit = serializers.ChoiceField(choices=Unit.choices)


class CheckLotShape(Shape):
    """A pass/fail check that a run is opened with."""

    id = serializers.IntegerField()
    material = serializers.CharField()
    lot = serializers.CharField()


class AnalyserShape(Shape):
    """An analyser with the controls and checks a run of today needs."""

    code = serializers.CharField()
    name = serializers.CharField()
    site = serializers.CharField()
    usual_unit = serializers.ChoiceField(choices=Unit.choices)
    controls = ControlLotShape(many=True)
    checks = CheckLotShape(many=True)


class AnalysersShape(Shape):
    """The analysers."""

    items = AnalyserShape(many=True)


class ControlGiven(Shape):
    """What the analyser read of one control."""

    control = Key()
    value = serializers.DecimalField(max_digits=9, decimal_places=3, min_value=0)


class CheckGiven(Shape):
    """Whether one check passed."""

    check = Key()
    passed = serializers.BooleanField()


class ControlsGiven(Shape):
    """Controls and checks as they were measured."""

    controls = serializers.ListField(child=ControlGiven(), max_length=20)
    checks = serializers.ListField(child=CheckGiven(), required=False, max_length=20)


class RunGiven(ControlsGiven):
    """A run to open: the analyser, the unit confirmed on its display, and its opening controls."""

    analyser = serializers.CharField(max_length=20)
    unit = serializers.ChoiceField(choices=Unit.choices)
    device_limit = serializers.DecimalField(
        max_digits=9, decimal_places=3, min_value=0, allow_null=True, default=None
    )


class ControlReadShape(Shape):
    """One control reading with its verdict."""

    control = serializers.IntegerField(source="control_id")
    position = serializers.CharField()
    value = serializers.DecimalField(max_digits=10, decimal_places=3)
    z = serializers.DecimalField(max_digits=8, decimal_places=3)
    in_control = serializers.BooleanField()
    rule = serializers.CharField()


class RunShape(Shape):
    """A run on one analyser."""

    id = serializers.IntegerField()
    analyser = serializers.CharField(source="analyser.code")
    day = serializers.DateField()
    nth = serializers.IntegerField()
    unit = serializers.ChoiceField(choices=Unit.choices)
    status = serializers.ChoiceField(choices=Run.Status.choices)
    opened_at = serializers.DateTimeField()
    closed_at = serializers.DateTimeField(allow_null=True)
    resolution = serializers.CharField()


class RunFullShape(RunShape):
    """A run with its controls, and what they say in a sentence."""

    sentence = serializers.CharField()
    controls = ControlReadShape(many=True)


class LineShape(Shape):
    """One line of a file that was not taken, and why."""

    line = serializers.IntegerField()
    serial = serializers.CharField()
    verdict = serializers.CharField()
    detail = serializers.CharField(source="sentence")


class FileShape(Shape):
    """A readings file and what became of its lines; at most 200 of those not taken are shown."""

    id = serializers.IntegerField()
    name = serializers.CharField()
    run = serializers.IntegerField(source="run_id")
    lines = serializers.IntegerField()
    taken = serializers.IntegerField()
    verdicts = serializers.DictField(child=serializers.IntegerField())
    not_taken = LineShape(many=True)


class NameAsked(Shape):
    """What a file is called."""

    file_name = serializers.CharField(max_length=200, default="readings.csv")


CONTROLS = {"controls": [{"control": 1, "value": "90.5"}, {"control": 2, "value": "477"}], "checks": []}
RUN = {
    "id": 5, "analyser": "Q1", "day": "2026-06-17", "nth": 1, "unit": "ng/mL", "status": "open",
    "opened_at": "2026-06-17T08:00:00Z", "closed_at": None, "resolution": "",
}  # fmt: skip
FULL = RUN | {
    "sentence": "The controls are in control: the run may go on.",
    "controls": [
        {"control": 1, "position": "start", "value": "90.500", "z": "-0.100", "in_control": True, "rule": ""},
    ],
}  # fmt: skip
FILE = {
    "id": 8,
    "name": "readings.csv",
    "run": 5,
    "lines": 40,
    "taken": 40,
    "verdicts": {"taken": 40},
    "not_taken": [],
}
SENT = "running_number,serial,value,unit,flag,read_at\n1,TK000000001M,12.5,ng/mL,,2026-06-17T09:30:00Z\n"


def analysers_of(by: User) -> QuerySet[Analyser]:
    """The analysers a client may know of."""
    ids, rows = by.site_ids, Analyser.objects.select_related("site").order_by("code")
    return rows if ids is None else rows.filter(site_id__in=ids)


def runs_of(by: User) -> QuerySet[Run]:
    """The runs a client may know of."""
    ids, rows = by.site_ids, Run.objects.select_related("analyser")
    return rows if ids is None else rows.filter(analyser__site_id__in=ids)


def _controls(given: Any, analyser: Analyser) -> ControlValues:
    lots = {lot.pk: lot for lot in ControlLot.objects.filter(analyser=analyser, confirmed_by__isnull=False)}
    if unknown := [one["control"] for one in given["controls"] if one["control"] not in lots]:
        raise RoundbookError(
            "control_unknown", _("Control %(n)s is not one of this analyser.") % {"n": unknown[0]}
        )
    return [(lots[one["control"]], one["value"]) for one in given["controls"]]


def _checks(given: Any, analyser: Analyser) -> CheckValues:
    lots: dict[int, CheckLot] = {lot.pk: lot for lot in checks_for(analyser)}
    asked_for: Sequence[Any] = given.get("checks", ())
    if unknown := [one["check"] for one in asked_for if one["check"] not in lots]:
        raise RoundbookError(
            "check_unknown", _("Check %(n)s is not one of this analyser.") % {"n": unknown[0]}
        )
    return [(lots[one["check"]], one["passed"]) for one in asked_for]


def _full(run: Run) -> dict[str, Any]:
    rows = run.control_readings.order_by("seq")
    return dict(RunShape(run).data) | {
        "sentence": str(run_sentence(run)), "controls": ControlReadShape(rows, many=True).data
    }  # fmt: skip


def _file(file: ReadingsFile) -> dict[str, Any]:
    lines = InboxLine.objects.filter(file_id=file.pk).exclude(verdict=TAKEN).order_by("line")[:REFUSED]
    file.verdicts = dict(verdict_counts(file))  # type: ignore[attr-defined]
    file.not_taken = lines  # type: ignore[attr-defined]
    return dict(FileShape(file).data)


class Analysers(Reads):
    """Analysers."""

    does: ClassVar = {
        "GET": Does(
            name="analysers", part=PART, summary="Analysers, each with the controls and checks of today", gives=AnalysersShape,
            example={"items": [{
                "code": "Q1", "name": "Analyser 1", "site": "QHL", "usual_unit": "ng/mL", "checks": [],
                "controls": [{"id": 1, "material": "Control", "level": 1, "lot": "C1", "unit": "ng/mL"}],
            }]},
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """Every analyser of the client's reach."""
        items = [
            {
                "code": one.code, "name": one.name, "site": one.site.code, "usual_unit": one.usual_unit,
                "controls": controls_for(one), "checks": checks_for(one)[: plan_on(one, clock.today()).checks],
            }
            for one in analysers_of(self.by)
        ]  # fmt: skip
        return Shown(AnalysersShape({"items": items}).data)


class Runs(Reads, Acts):
    """Runs."""

    does: ClassVar = {
        "GET": Does(name="runs", part=PART, summary="Runs, newest first", gives=RunShape, example=RUN, paged=True),
        "POST": Does(
            name="run_open", part=PART, summary="Open a run with its controls", status=201, takes=RunGiven,
            sends={"analyser": "Q1", "unit": "ng/mL", "device_limit": None} | CONTROLS, gives=RunFullShape, example=FULL,
            words="When the controls are out the answer is a run with status `refused`: it was kept, and did not start.",
        ),
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """A page of runs."""
        return Shown(page_of(request, runs_of(self.by), RunShape)[1])

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Open one."""
        analyser = analysers_of(self.by).filter(code=given["analyser"]).first()
        if analyser is None:
            raise RoundbookError(
                "analyser_unknown", _("There is no such analyser, or it is not at this client's site.")
            )
        samples_take_in(by=self.by)
        run = run_open(
            by=self.by, analyser=analyser, unit=given["unit"], readings=_controls(given, analyser),
            checks=_checks(given, analyser), device_limit=given["device_limit"],
        )  # fmt: skip
        if run.status == Run.Status.OPEN:
            messages_retry(by=self.by, analyser=run.analyser)
        return Shown(_full(run), headers={"Location": f"/api/runs/{run.pk}"})


class OneRun(Reads):
    """One run."""

    does: ClassVar = {
        "GET": Does(
            name="run", part=PART, summary="A run with its controls", gives=RunFullShape, example=FULL
        )
    }

    def show(self, request: Request, **at: Any) -> Shown:
        """The run."""
        return Shown(_full(get_object_or_404(runs_of(self.by), pk=at["pk"])))


class RunControls(Acts):
    """Controls in between."""

    does: ClassVar = {
        "POST": Does(
            name="run_controls", part=PART, summary="Record controls in between; out of control they end the run held",
            takes=ControlsGiven, sends=CONTROLS, gives=RunFullShape, example=FULL,
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Record them."""
        run = get_object_or_404(runs_of(self.by), pk=at["pk"])
        values, checks = _controls(given, run.analyser), _checks(given, run.analyser)
        return Shown(_full(run_control(by=self.by, run=run, readings=values, checks=checks)))


class RunClose(Acts):
    """The end of a run."""

    does: ClassVar = {
        "POST": Does(
            name="run_close", part=PART, summary="Close a run with its end controls", takes=ControlsGiven, sends=CONTROLS,
            gives=RunFullShape, example=FULL | {"status": "in_control", "closed_at": "2026-06-17T11:00:00Z"},
        )
    }  # fmt: skip

    def act(self, request: Request, given: Any, **at: Any) -> Shown:
        """Close it."""
        run = get_object_or_404(runs_of(self.by), pk=at["pk"])
        values, checks = _controls(given, run.analyser), _checks(given, run.analyser)
        return Shown(_full(run_close(by=self.by, run=run, readings=values, checks=checks)))


class RunReadings(Acts):
    """A file of readings."""

    does: ClassVar = {
        "POST": Does(
            name="readings_load", part=PART, summary="Load a readings file into an open run; every line is answered",
            csv=True, sends=SENT, gives=FileShape, example=FILE, largest=LARGEST_READINGS,
            query=(OpenApiParameter("file_name", {"type": "string", "maxLength": 200}, description="What the file is called."),),
        )
    }  # fmt: skip

    def act(self, request: Request, given: bytes, **at: Any) -> Shown:
        """Load it."""
        run = get_object_or_404(runs_of(self.by), pk=at["pk"])
        samples_take_in(by=self.by)
        name = asked(request, NameAsked)["file_name"]
        return Shown(_file(readings_load(by=self.by, run=run, name=name, content=given)))


class OneFile(Reads):
    """One file."""

    does: ClassVar = {
        "GET": Does(
            name="readings_file", part=PART, summary="A readings file and what became of its lines", gives=FileShape, example=FILE
        )
    }  # fmt: skip

    def show(self, request: Request, **at: Any) -> Shown:
        """The file."""
        rows = ReadingsFile.objects.filter(run__in=runs_of(self.by)).defer("content")
        return Shown(_file(get_object_or_404(rows, pk=at["pk"])))
