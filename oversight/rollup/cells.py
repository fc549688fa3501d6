"""How facts become cells: one statement a kind of cell, for the deltas of a fold or for every fact; pure SQL texts."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from oversight.rollup.measures import ANCHORS, CLOCKS, DIMENSIONS, LARGEST_VALUE, LONGEST_WAIT, STARTS

YIELD = {
    "n": "true",
    "examined": "f.high AND f.exam_on IS NOT NULL",
    "cancer": "f.high AND f.exam_on IS NOT NULL AND f.finding = 'cancer'",
    "advanced": "f.high AND f.exam_on IS NOT NULL AND f.finding = 'advanced_adenoma'",
}


@dataclass(frozen=True, slots=True)
class Adding:
    """Which table gets which sums: `keys` and `sums` map columns to SQL over a fact `f`, `where` says which facts."""

    table: str
    keys: dict[str, str]
    sums: dict[str, str]
    where: str
    lateral: str = ""
    from_cells: str = ""
    """Where a first count is cheaper from the cells than from every fact: the table of cells."""

    @property
    def columns(self) -> Sequence[str]:
        """Every column, keys first."""
        return [*self.keys, *self.sums]

    def select(self, source: str, *, sign: str) -> str:
        """The sums of the facts in `source` (a FROM item named `f`), each times `sign`, nothing where all are zero."""
        keys = ", ".join(f"{sql} AS {name}" for name, sql in self.keys.items())
        sums = ", ".join(
            f"coalesce(sum({sign} * ({sql})::int), 0) AS {name}" for name, sql in self.sums.items()
        )
        group = ", ".join(str(n + 1) for n in range(len(self.keys)))
        names, zeros = ", ".join(f"q.{name}" for name in self.sums), ", ".join("0" for _ in self.sums)
        return (
            f"SELECT * FROM (SELECT {keys}, {sums} FROM {source}{self.lateral} WHERE {self.where} GROUP BY {group}) q"
            f" WHERE ({names}) <> ({zeros})"
        )

    def add(self, source: str, *, sign: str) -> str:
        """The statement that adds them to the table."""
        onto = ", ".join(f"{name} = {self.table}.{name} + excluded.{name}" for name in self.sums)
        return (
            f"INSERT INTO {self.table} ({', '.join(self.columns)}) {self.select(source, sign=sign)}"
            f" ON CONFLICT ({', '.join(self.keys)}) DO UPDATE SET {onto}"
        )


def _cuts(alias: str) -> str:
    """SQL that gives a row once for each thing it is cut by."""
    rows = ", ".join(f"('{name}', ({sql})::text)" for name, sql in _keys(alias).items())
    return f" CROSS JOIN LATERAL (VALUES {rows}) v(cut, key)"


def _keys(alias: str) -> dict[str, str]:
    return {name: sql.replace("f.", f"{alias}.") for name, sql in DIMENSIONS.items()}


def lines_from_cells(one: Adding) -> str:
    """The statement that fills empty lines from the cells."""
    sums = ", ".join(f"sum(c.{name})" for name in one.sums)
    return (
        f"INSERT INTO {one.table} ({', '.join(one.columns)}) SELECT c.month, v.cut, v.key, {sums}"
        f" FROM {one.from_cells} c{_cuts('c')} GROUP BY 1, 2, 3"
    )


def additions() -> Iterator[Adding]:
    """Everything a fold adds to."""
    for anchor in ANCHORS.values():
        yield Adding(
            anchor.table, {"month": anchor.month, **DIMENSIONS}, dict(anchor.measures), anchor.counts
        )
        yield Adding(
            anchor.line_table, {"month": anchor.month, "cut": "v.cut", "key": "v.key"}, dict(anchor.measures), anchor.counts,
            lateral=_cuts("f"), from_cells=anchor.table,
        )  # fmt: skip
    released = ANCHORS["released"].month
    yield Adding(
        "oversight_valuecell",
        {"month": released, "sex": "f.sex", "age": "f.age", "value": f"least(f.value, {LARGEST_VALUE})"},
        YIELD,
        "f.released_on IS NOT NULL AND f.value IS NOT NULL",
    )
    yield Adding(
        "oversight_sourcecell",
        {
            "month": released,
            "laboratory_id": "coalesce(f.laboratory_id, 0)",
            "lot_id": "coalesce(f.lot_id, 0)",
        },
        {"n": "true", "high": "f.high"},
        "f.released_on IS NOT NULL",
    )
    for clock in CLOCKS.values():
        yield Adding(
            "oversight_waitcell",
            {"clock": f"'{clock.name}'", "month": f"date_trunc('month', f.{clock.since})::date", "area_id": "f.area_id",
             "days": clock.days},
            {"n": "true"},
            clock.where,
        )  # fmt: skip
    for name, (day, first, whom) in STARTS.items():
        month = f"date_trunc('month', f.{day})::date"
        yield Adding(
            "oversight_waitcell",
            {"clock": f"'{name}'", "month": month, "area_id": "f.area_id",
             "days": f"least(greatest(f.{first} - {month}, 0), {LONGEST_WAIT})"},
            {"n": "true"},
            whom,
        )  # fmt: skip
