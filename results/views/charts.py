"""Control charts of an analyser and level with lot lines, rule hits and comments, and the monthly summary."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_POST

from results.forms_bench import CommentForm
from results.models import Analyser, ControlLot, ControlReading
from results.services.control_charts import (
    control_comment,
    control_comment_streak,
    lot_charts,
    month_sum,
    open_streaks,
    readings_of,
)
from results.services.runs_controls import rule_words
from results.views.lab import EDGE, drawn
from results.views.lab_request import actor, refuse
from staff import clock
from staff.errors import RoundbookError

PERIODS = (28, 90, 180, 365)


@require_GET
def charts(request: HttpRequest) -> HttpResponse:
    """One analyser and level over some weeks."""
    analysers = list(Analyser.objects.order_by("name"))
    chosen = next((a for a in analysers if a.code == request.GET.get("analyser")), analysers[0] if analysers else None)  # fmt: skip
    levels = (
        sorted(set(ControlLot.objects.filter(analyser=chosen).values_list("level", flat=True)))
        if chosen
        else []
    )
    level = _number(request.GET.get("level"), levels, levels[0] if levels else 1)
    days = _number(request.GET.get("days"), PERIODS, 90)
    today = clock.today()
    readings = readings_of(chosen, level, today - timedelta(days=days), today + timedelta(days=1)) if chosen else []  # fmt: skip
    lots = lot_charts(readings)
    context = {
        "analysers": analysers, "chosen": chosen, "levels": levels, "level": level, "days": days, "periods": PERIODS,
        "chart": chart_of(readings) if readings else None,
        "lots": lots,
        "hits": [(r, rule_words(r.rule), list(r.comments.all())) for r in readings if r.rule or not r.in_control],
        "streaks": [(own[0], own[-1], len(own), rule_words(own[0].rule)) for own in open_streaks(today)],
        "month": f"{today:%Y-%m}",
        "now": clock.now(),
    }  # fmt: skip
    return render(request, "results/charts.html", context)


def _number(text: str | None, allowed: Sequence[int], default: int) -> int:
    return int(text) if text and text.isdigit() and int(text) in allowed else default


def chart_of(readings: Sequence[ControlReading]) -> dict[str, Any]:
    """Distances from target in SD, one series a lot, with a line where a new lot begins."""
    names = [f"{date_format(r.run.day, 'j M y')}, {r.run.nth}.{r.seq}" for r in readings]
    lots = list(dict.fromkeys(r.control.lot for r in readings))
    firsts = {lot: next(n for n, r in enumerate(readings) if r.control.lot == lot) for lot in lots}
    out = sum(not r.in_control for r in readings)
    return {
        "data": {
            "kind": "line",
            "unit": "SD",
            "categories": names,
            "series": [
                {
                    "name": _("lot %(lot)s") % {"lot": lot},
                    "values": [drawn(float(r.z)) if r.control.lot == lot else None for r in readings],
                }
                for lot in lots
            ]
            + _marks(readings),
            "lines": [{"at": at, "label": f"{at:+d} SD"} for at in (-3, -2, 2, 3)],
            "breaks": [
                {"at": names[firsts[lot]], "label": _("lot %(lot)s") % {"lot": lot}} for lot in lots[1:]
            ],
            "min": -EDGE,
            "max": EDGE,
        },
        "columns": [_("Day, run and reading"), _("Lot"), _("Read"), _("SD"), _("Rule")],
        "rows": [
            [name, r.control.lot, f"{r.value.normalize():f}", f"{r.z:+.2f}", r.rule or "–"]
            for name, r in zip(names, readings, strict=True)
        ],
        "summary": _summary(len(readings), len(lots), out),
    }


def _summary(n: int, lots: int, out: int) -> str:
    """What a chart shows, in a sentence."""
    return " ".join([
        ngettext("%(n)s reading", "%(n)s readings", n) % {"n": n},
        ngettext("of %(n)s lot, ", "of %(n)s lots, ", lots) % {"n": lots} + _("%(out)s out.") % {"out": out},
        _("What lies beyond %(edge)s SD is drawn at the edge.") % {"edge": EDGE},
    ])  # fmt: skip


def _marks(readings: Sequence[ControlReading]) -> list[dict[str, Any]]:
    """A ring around every reading that hit a rule or was out, so that the eye finds it without the table."""
    values = [drawn(float(r.z)) if r.rule or not r.in_control else None for r in readings]
    return (
        [{"name": _("hit a rule"), "values": values, "marks": True}]
        if any(v is not None for v in values)
        else []
    )


@require_POST
def comment(request: HttpRequest, pk: int) -> HttpResponse:
    """Say what was found about one control reading."""
    reading = get_object_or_404(ControlReading.objects.select_related("run__analyser", "control"), pk=pk)
    form = CommentForm(request.POST)
    words = form.cleaned_data["words"] if form.is_valid() else ""
    try:
        if "streak" in request.POST:
            control_comment_streak(by=actor(request), reading=reading, words=words)
        else:
            control_comment(by=actor(request), reading=reading, words=words)
    except RoundbookError as error:
        refuse(request, error)
    else:
        messages.success(request, _("Kept with the reading."))
    response = redirect("results:charts")
    response["Location"] += f"?analyser={reading.run.analyser.code}&level={reading.control.level}"
    return response


@require_GET
def month(request: HttpRequest) -> HttpResponse:
    """The monthly summary, made to be printed."""
    first = _month_read(request.GET.get("month", ""))
    until = (first + timedelta(days=32)).replace(day=1)
    analysers = Analyser.objects.select_related("site").order_by("name")
    context = {
        "first": first,
        "before": (first - timedelta(days=1)).replace(day=1),
        "after": until,
        "sums": [(analyser, month_sum(analyser, first, until)) for analyser in analysers],
        "now": clock.now(),
    }
    return render(request, "results/month.html", context)


def _month_read(text: str) -> date:
    try:
        return date.fromisoformat(f"{text}-01")
    except ValueError:
        return clock.today().replace(day=1)
