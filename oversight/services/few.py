"""Counts what is asked straight: who there are, who fell due, surveillance as planned, cancers as reported, what others told."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from django.db import connection

from oversight.filters import CELL_FILTERS, Asked
from oversight.rollup.facts import NO_ROUND
from oversight.rollup.few import NOT_CUT, Few
from oversight.rollup.measures import ANCHORS
from oversight.services import surveillance
from oversight.services.cancer_sums import cancer_sums, followed_sums
from oversight.services.sums import Counts, sums
from oversight.services.told import told_sums
from staff import clock

Found = dict[tuple[str, date], Counts]


def few_counted(few: Few, asked: Asked) -> Mapping[tuple[str, date], Counts]:
    """Each measure by what the question is cut by, and month.

    What the kind cannot be cut by stands under `NOT_CUT`; a filter that does not apply to it leaves nothing to count, so
    that no figure is shown for others than those asked for.
    """
    if set(asked.only) - few.cuts:
        return {}
    if asked.by == "month" or asked.by in few.cuts:
        return COUNTERS[few.name](asked)
    whole = COUNTERS[few.name](replace(asked, by="month"))
    return {(NOT_CUT, month): counts for (_key, month), counts in whole.items()}


def _people(asked: Asked) -> Found:
    column = "''" if asked.by == "month" else f"c.{CELL_FILTERS[asked.by]}::text"
    rows = _rows(
        f"SELECT {column}, date_trunc('month', c.day)::date, sum(c.people), sum(c.invited), sum(c.screened)"
        " FROM oversight_coveragecell c WHERE c.day = (SELECT max(day) FROM oversight_coveragecell WHERE day <= %(until)s)"
        f"{asked.conditions(cells=True)} GROUP BY 1, 2",
        {**asked.params(), "until": asked.until},
    )
    return {
        (str(month) if asked.by == "month" else key, month): dict(
            zip(("people", "invited", "screened"), map(int, counts), strict=True)
        )
        for key, month, *counts in rows
    }


STILL = """
SELECT {column}, date_trunc('month', p.next_due_on)::date, count(*) FROM screening_person p
WHERE p.next_due_on BETWEEN %(since)s AND least(%(until)s, %(today)s){only}
  AND EXISTS (SELECT 1 FROM screening_round r WHERE r.person_id = p.id AND r.state = 'closed'
              AND r.close_reason NOT IN ({no_round}))
GROUP BY 1, 2
"""
"""People invited before who are due again and still wait, by the day their interval was over."""


def _fell_due(asked: Asked) -> Found:
    found = {
        key: dict(counts) for key, counts in sums(ANCHORS["due"], asked, ["n", "kept"]).items() if counts["n"]
    }
    columns = surveillance.COLUMNS
    only = "".join(f" AND {columns[name]} = %({name})s" for name in asked.only)
    params = {
        **asked.params(),
        "since": asked.since,
        "until": asked.until,
        "today": clock.today(),
        "day": clock.today(),
    }
    column = "''" if asked.by == "month" else f"({columns[asked.by]})::text"
    no_round = ", ".join(f"'{reason}'" for reason in NO_ROUND)
    for key, month, n in _rows(STILL.format(column=column, only=only, no_round=no_round), params):
        counts = found.setdefault((str(month) if asked.by == "month" else key, month), {"n": 0, "kept": 0})
        counts["n"] += int(n)
    return found


def _planned(asked: Asked) -> Found:
    return {
        key: {"due": one.due, "in_time": one.in_time}
        for key, one in surveillance.surveillance_by(asked).items()
    }


def _rows(sql: str, params: Mapping[str, Any]) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        return list(cursor.fetchall())


COUNTERS: Mapping[str, Callable[[Asked], Mapping[tuple[str, date], Counts]]] = {
    "people": _people, "fell_due": _fell_due, "planned": _planned, "cancers": cancer_sums, "followed": followed_sums,
    "told": told_sums,
}  # fmt: skip
"""Kind → what counts it."""
