"""Reads measures from lines, cells and, for broken months and single filters, from the facts: one statement a question."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from django.db import connection

from oversight.filters import Asked
from oversight.rollup.measures import Anchor
from screening.months import add_months
from staff import clock

CUTS: Mapping[str, str] = {
    "month": "month", "sex": "sex", "age": "age", "area": "area_id", "fifth": "fifth", "history": "history",
}  # fmt: skip
FACT_CUTS: Mapping[str, tuple[str, str]] = {
    "language": (
        "coalesce(nullif(p.language, ''), 'und')",
        " LEFT JOIN screening_person p ON p.id = f.person_id",
    ),
}
"""Cuts that neither lines nor cells know: SQL of the key over a fact `f`, and what must be joined for it."""
Counts = dict[str, int]


def months_of(asked: Asked) -> list[date]:
    """The first days of every month the question touches."""
    found, month = [], asked.since.replace(day=1)
    while month <= asked.until:
        found.append(month)
        month = add_months(month, 1)
    return found


def _whole(asked: Asked) -> tuple[date, date, list[tuple[date, date]]]:
    """The first and last month that are asked for whole, and the broken ends as pairs of days.

    A month that runs is whole when its days up to today are asked for: nothing lies in the future.
    """
    months = months_of(asked)
    first, last = months[0], months[-1]
    ends: list[tuple[date, date]] = []
    broken_start = asked.since > first
    broken_end = asked.until < min(add_months(last, 1) - timedelta(days=1), clock.today())
    if first == last and (broken_start or broken_end):
        return add_months(last, 1), last, [(asked.since, asked.until)]
    if broken_start:
        ends.append((asked.since, add_months(first, 1) - timedelta(days=1)))
        first = add_months(first, 1)
    if broken_end:
        ends.append((last, asked.until))
        last = add_months(last, -1)
    return first, last, ends


def one_line(asked: Asked, by: str) -> str:
    """The cut whose lines can answer a question cut by `by` ("month" or "": by nothing else); empty: the cells must."""
    named = list(asked.only)
    if len(named) > 1 or asked.needs_facts:
        return ""
    if by in ("month", ""):
        return named[0] if named else "sex"
    return by if not named or named == [by] else ""


def line_source(anchor: Anchor, asked: Asked, names: Sequence[str], cut: str) -> tuple[str, dict[str, Any]]:
    """A FROM item `c` with month, key (of the cut, as text) and the named measures, from the lines and broken ends."""
    first, last, ends = _whole(asked)
    params: dict[str, Any] = {**asked.params(), "first": first, "last": last}
    column, parts = CUTS[cut], []
    only = f" AND c.key = (%({cut})s)::text" if cut in asked.only else ""
    if first <= last:
        parts.append(
            f"SELECT month, key, {', '.join(names)} FROM {anchor.line_table} c"
            f" WHERE c.cut = '{column}' AND c.month BETWEEN %(first)s AND %(last)s{only}"
        )
    for n, (since, until) in enumerate(ends):
        params |= {f"since_{n}": since, f"until_{n}": until}
        parts.append(
            f"SELECT {anchor.month} AS month, (f.{column})::text AS key, {_summed(anchor, names)} FROM oversight_fact f"
            f" WHERE f.{anchor.day} BETWEEN %(since_{n})s AND %(until_{n})s AND {anchor.counts}"
            f"{asked.conditions(cells=False)} GROUP BY 1, 2"
        )
    return f"({' UNION ALL '.join(parts)}) c", params


def _summed(anchor: Anchor, names: Iterable[str]) -> str:
    return ", ".join(f"coalesce(sum(({anchor.measures[name]})::int), 0) AS {name}" for name in names)


def source(anchor: Anchor, asked: Asked, names: Iterable[str]) -> tuple[str, dict[str, Any]]:
    """A FROM item `c` with month, the dimensions and the named measures of the days and people asked for.

    Whole months come from the cells; broken ends, and filters that cells do not know, from the facts.
    """
    first, last, ends = _whole(asked)
    wanted = list(dict.fromkeys(names))
    params: dict[str, Any] = {**asked.params(), "first": first, "last": last}
    columns = ", ".join(["month", *dict.fromkeys(CUTS[cut] for cut in CUTS if cut != "month"), *wanted])
    parts = []
    if asked.needs_facts:
        ends = [(asked.since, asked.until)]
    elif first <= last:
        parts.append(
            f"SELECT {columns} FROM {anchor.table} c WHERE c.month BETWEEN %(first)s AND %(last)s"
            f"{asked.conditions(cells=True)}"
        )
    for n, (since, until) in enumerate(ends):
        params |= {f"since_{n}": since, f"until_{n}": until}
        parts.append(
            f"SELECT {anchor.month} AS month, f.sex, f.age, f.area_id, f.fifth, f.history, {_summed(anchor, wanted)}"
            " FROM oversight_fact f"
            f" WHERE f.{anchor.day} BETWEEN %(since_{n})s AND %(until_{n})s AND {anchor.counts}"
            f"{asked.conditions(cells=False)} GROUP BY 1, 2, 3, 4, 5, 6"
        )
    if len(parts) == 1:
        return f"({parts[0]}) c", params
    named = [f"SELECT {columns} FROM ({part}) p" for part in parts]
    return f"({' UNION ALL '.join(named)}) c", params


def sums(anchor: Anchor, asked: Asked, names: Sequence[str]) -> dict[tuple[str, date], Counts]:
    """Each measure by what the question is cut by, and month."""
    wanted = list(dict.fromkeys(names))
    if asked.by in FACT_CUTS:
        return _by_fact(anchor, asked, wanted)
    if line := one_line(asked, asked.by):
        frm, params = line_source(anchor, asked, wanted, line)
        cut = "month" if asked.by == "month" else "key"
    else:
        frm, params = source(anchor, asked, wanted)
        cut = CUTS[asked.by]
    added = ", ".join(f"coalesce(sum(c.{name}), 0)" for name in wanted)
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT c.{cut}, c.month, {added} FROM {frm} GROUP BY 1, 2", params)
        return {
            (str(key), month): dict(zip(wanted, map(int, counts), strict=True))
            for key, month, *counts in cursor.fetchall()
        }


def _by_fact(anchor: Anchor, asked: Asked, names: Sequence[str]) -> dict[tuple[str, date], Counts]:
    """The same by what only the facts know, asked of every fact of the days."""
    key, join = FACT_CUTS[asked.by]
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT {key}, {anchor.month}, {_summed(anchor, names)} FROM oversight_fact f{join}"
            f" WHERE f.{anchor.day} BETWEEN %(since)s AND %(until)s AND {anchor.counts}{asked.conditions(cells=False)}"
            " GROUP BY 1, 2",
            {**asked.params(), "since": asked.since, "until": asked.until},
        )
        return {
            (str(found), month): dict(zip(names, map(int, counts), strict=True))
            for found, month, *counts in cursor.fetchall()
        }
