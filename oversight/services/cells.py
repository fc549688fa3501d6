"""Reads the smaller roll-ups: values of results, laboratories and lots, places of the flow, equity's steps."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.db import connection

from oversight.filters import Asked
from oversight.rollup.cells import YIELD
from oversight.rollup.measures import ANCHORS, LARGEST_VALUE, PLACES
from oversight.services.sums import line_source, months_of, one_line, source

Values = Sequence[tuple[int, int, int, int, int]]
Source = tuple[date, int, int, int, int]


def _of_facts(
    asked: Asked, key: str, sums: Mapping[str, str], where: str = "", keys: int = 1
) -> list[tuple[Any, ...]]:
    """Sums by one key or more over the rounds with a usable result released in the days asked for, with every filter."""
    added = ", ".join(f"sum(({sql})::int)" for sql in sums.values())
    group = ", ".join(str(n + 1) for n in range(keys))
    return _rows(
        f"SELECT {key}, {added} FROM oversight_fact f WHERE f.released_on BETWEEN %(since)s AND %(until)s{where}"
        f"{asked.conditions(cells=False)} GROUP BY {group} ORDER BY {group}",
        {**asked.params(), "since": asked.since, "until": asked.until},
    )


def values(asked: Asked) -> Values:
    """(whole µg/g, results, examined, cancers, advanced adenomas) of the months asked for.

    The roll-up knows sex and age; by any other filter the facts of the days asked for are counted.
    """
    if set(asked.only) - {"sex", "age"}:
        return _of_facts(asked, f"least(f.value, {LARGEST_VALUE})", YIELD, " AND f.value IS NOT NULL")
    only = "".join(f" AND {name} = %({name})s" for name in ("sex", "age") if name in asked.only)
    months = months_of(asked)
    return _rows(
        "SELECT value, sum(n), sum(examined), sum(cancer), sum(advanced) FROM oversight_valuecell"
        f" WHERE month BETWEEN %(first)s AND %(last)s{only} GROUP BY value HAVING sum(n) > 0 ORDER BY value",
        {**asked.params(), "first": months[0], "last": months[-1]},
    )


def sweep(found: Values, cutoffs: Sequence[int]) -> list[tuple[int, int, int, int, int]]:
    """For each cutoff how many results were at or above it, and examined, cancers and advanced adenomas among them."""
    answer, rows = [], sorted(found, reverse=True)
    run, at = [0, 0, 0, 0], 0
    for cutoff in sorted(cutoffs, reverse=True):
        while at < len(rows) and rows[at][0] >= cutoff:
            run = [have + more for have, more in zip(run, rows[at][1:], strict=True)]
            at += 1
        answer.append((cutoff, run[0], run[1], run[2], run[3]))
    return answer[::-1]


def sources(asked: Asked) -> Sequence[Source]:
    """(month, laboratory, lot, results, at or above) of the months asked for; with a filter, of the facts of the days asked for."""
    if asked.only:
        key = f"{ANCHORS['released'].month}, coalesce(f.laboratory_id, 0), coalesce(f.lot_id, 0)"
        return _of_facts(asked, key, {"n": "true", "high": "f.high"}, keys=3)
    months = months_of(asked)
    return _rows(
        "SELECT month, laboratory_id, lot_id, sum(n), sum(high) FROM oversight_sourcecell"
        " WHERE month BETWEEN %(first)s AND %(last)s GROUP BY 1, 2, 3 HAVING sum(n) > 0 ORDER BY 1, 2, 3",
        {"first": months[0], "last": months[-1]},
    )


def added_up(found: Sequence[Source], *at: int) -> list[tuple[Any, ...]]:
    """Results and those at or above, by the parts of `sources` at these places (0 month, 1 laboratory, 2 lot)."""
    sums: dict[tuple[Any, ...], list[int]] = {}
    for row in found:
        n = sums.setdefault(tuple(row[place] for place in at), [0, 0])
        n[0] += int(row[3])
        n[1] += int(row[4])
    return [(*key, n, high) for key, (n, high) in sorted(sums.items())]


def grouped_sums(
    anchor: str, asked: Asked, names: Sequence[str], by: Sequence[str]
) -> Mapping[tuple[Any, ...], dict[str, int]]:
    """Measures of an anchor by several columns of its cells at once."""
    line = one_line(asked, next(iter(by), "")) if len(by) < 2 else ""
    if line:
        frm, params = line_source(ANCHORS[anchor], asked, names, line)
    else:
        frm, params = source(ANCHORS[anchor], asked, names)
    keys = ", ".join("c.key::int" if line else f"c.{name}" for name in by)
    added = ", ".join(f"coalesce(sum(c.{name}), 0)" for name in names)
    group = ", ".join(str(n + 1) for n in range(len(by)))
    rows = _rows(
        f"SELECT {keys + ', ' if by else ''}{added} FROM {frm}{f' GROUP BY {group}' if by else ''}", params
    )
    cut = len(by)
    return {tuple(row[:cut]): dict(zip(names, map(int, row[cut:]), strict=True)) for row in rows}


def places(asked: Asked) -> tuple[int, dict[str, int]]:
    """How many were invited, and where they are now: the parts add up to the whole."""
    names = ["n", *(f"at_{place}" for place in PLACES)]
    found = grouped_sums("invited", asked, names, [])
    counts = found.get((), dict.fromkeys(names, 0))
    return counts["n"], {place: counts[f"at_{place}"] for place in PLACES}


def _rows(sql: str, params: Mapping[str, Any]) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(sql, params)
        return list(cursor.fetchall())
