"""Keeps every figure that was given to somebody, and says by what it differs from today's."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db import connection
from django.utils.translation import gettext_lazy as _

from oversight.figures import Figure, figure_of
from oversight.filters import Asked
from oversight.indicators import Indicator, indicators, measures_of
from oversight.models import Fold, GivenFigure
from oversight.places import CAUSE_WORDS
from oversight.rollup.few import Few
from oversight.rollup.measures import ANCHORS
from oversight.services.figures import figures
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


def figure_give(*, by: User, to: str, key: str, asked: Asked) -> GivenFigure:
    """Keep an indicator's total as it stands now, with its definition and the data it was counted from."""
    if key not in indicators():
        raise RoundbookError("no_such_indicator", _("There is no indicator of that name."))
    if not to.strip():
        raise RoundbookError("given_to_nobody", _("Say to whom the figure is given."))
    one, counted = indicators()[key], figures(asked, [key])
    figure = counted.total.figures[key]
    with acting(by, reason="figure given") as frame:
        return GivenFigure.objects.create(
            given_at=frame.now, given_by=by, given_to=to.strip(), indicator=key, definition=one.digest,
            since=asked.since, until=asked.until, only=dict(asked.only), numerator=figure.numerator,
            denominator=figure.denominator, maturity_percent=figure.maturity.percent, cut_at=counted.cut_at,
            fold_id=Fold.objects.order_by("-pk").values_list("pk", flat=True).first() or 0,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Difference:
    """By how much one cause changed numerator and denominator since a figure was given."""

    words: "StrOrPromise"
    numerator: int
    denominator: int


@dataclass(frozen=True, slots=True)
class Reconciled:
    """A figure as it was given, as it is today, and what lies between: the differences add up to the change."""

    given: GivenFigure
    then: Figure
    now: Figure
    differences: Sequence[Difference]
    same_definition: bool


def reconcile(given: GivenFigure) -> Reconciled:
    """Take today's figure apart into the one given and what changed it since, cause by cause."""
    one = indicators()[given.indicator]
    asked = Asked(given.since, given.until, "month", given.only)
    now = figures(asked, [one.key]).total.figures[one.key]
    found = differences_since(one, asked, given.fold_id)
    top = now.numerator - given.numerator - sum(row.numerator for row in found)
    bottom = now.denominator - given.denominator - sum(row.denominator for row in found)
    if top or bottom:
        words = (
            one.source.changes
            if isinstance(one.source, Few)
            else _("everything was counted again, or is counted differently now")
        )
        found.append(Difference(words, top, bottom))
    then = figure_of(given.numerator, given.denominator, basis=one.basis, unit=one.unit)
    return Reconciled(given, then, now, found, one.digest == given.definition)


def differences_since(one: Indicator, asked: Asked, fold_id: int) -> list[Difference]:
    """By how much each cause changed an indicator after a fold; nothing of what is not counted from rounds."""
    if one.anchor not in ANCHORS:
        return []
    anchor = ANCHORS[one.anchor]

    def signed(expression: str) -> str:
        parts = expression.split(" - ")
        sums = [
            f"coalesce(sum(f.sign * ({anchor.measures[name]})::int), 0)" for name in measures_of(expression)
        ]
        return sums[0] if len(parts) == 1 else " - ".join(sums)

    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT f.cause, {signed(one.top)}, {signed(one.bottom)} FROM oversight_delta f WHERE f.fold_id > %(fold)s"
            f" AND f.{anchor.day} BETWEEN %(since)s AND %(until)s AND {anchor.counts}{asked.conditions(cells=False)}"
            " GROUP BY 1",
            {**asked.params(), "fold": fold_id, "since": asked.since, "until": asked.until},
        )
        rows = cursor.fetchall()
    merged: dict[str, tuple[int, int]] = {}
    for cause, top, bottom in rows:
        words = str(CAUSE_WORDS.get(cause, cause))
        x, n = merged.get(words, (0, 0))
        merged[words] = (x + int(top), n + int(bottom))
    return [Difference(words, x, n) for words, (x, n) in sorted(merged.items()) if x or n]
