"""The first people of a registry as rows for COPY, made from the lines of a register file as they are read."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from datetime import date, timedelta
from io import BytesIO
from typing import TYPE_CHECKING, Any

from django.db import connection

from screening.models.people import PersonIdentifier
from screening.serials import PERSON_NUMBER_DIGITS
from screening.services.due import NewAnswer, NewFacts
from screening.services.register_first import NUMBERS, PEOPLE
from screening.services.register_lines import COLUMNS
from screening.services.register_read import OLDEST_YEARS, ReadFile
from screening.services.register_sql import TEXTS

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import polars as pl

AS_SAID = COLUMNS[COLUMNS.index("family_name") : COLUMNS.index("area_code")]
"""The columns that a person has as they stand on a line, one after the other."""
_PERSON = (
    "id", *AS_SAID, "name_key", "area_id", "practice_id", "deprivation_fifth", "deceased_on", "left_area_on", "next_due_on",
    "not_due_code", "hidden_address", "last_feed_id",
)  # fmt: skip
COPY_PEOPLE = f"COPY {PEOPLE} ({', '.join(_PERSON)}) FROM STDIN (FORMAT csv, FORCE_NOT_NULL ({', '.join([*TEXTS, 'not_due_code'])}))"
COPY_NUMBERS = f"COPY {NUMBERS} (id, person_id, scheme, value, valid_from) FROM STDIN (FORMAT binary)"
_HEAD, _END = b"PGCOPY\n\xff\r\n\0" + bytes(8), b"\xff\xff"
_EPOCH = date(2000, 1, 1)
_PLACES = f"""
SELECT nextval(pg_get_serial_sequence('screening_registerload', 'id')), nextval(pg_get_serial_sequence('{PEOPLE}', 'id')),
    nextval(pg_get_serial_sequence('{NUMBERS}', 'id')), (SELECT coalesce(json_object_agg(code, id::text), '{{}}')::text FROM screening_area),
    (SELECT coalesce(json_object_agg(code, id::text), '{{}}')::text FROM screening_practice)
"""
DAY = len("2026-06-17")
_FIFTHS = "SELECT postcode, fifth::text FROM screening_postcodefifth"

Answers = Callable[[Iterable[NewFacts]], list[NewAnswer]]
"""Answers people's facts with their next date, or why there is none."""


class FirstRows:
    """Makes the rows of people and of their numbers; a line's number tells their ids, counted from the next free ones.

    `load` is the id that their load is to have, `areas` are the codes that a line may name.
    """

    def __init__(self, today: date, answers: Answers) -> None:
        import polars as pl

        self._today, self._dates = today, _Dates(today, answers)
        with connection.cursor() as cursor:
            cursor.execute(_PLACES)
            self.load, self._person, self._number, areas, practices = cursor.fetchone()
            cursor.execute(_FIFTHS)
            fifths = cursor.fetchall()
        self._areas, self._practices = json.loads(areas), json.loads(practices)
        self._fifths = pl.DataFrame(fifths, schema={"postcode": pl.String, "fifth": pl.String}, orient="row")
        self.areas = frozenset(self._areas)

    def people(self, read: ReadFile) -> bytes:
        """The rows of the people on the accepted lines."""
        import polars as pl

        lines = read.accepted
        fifths = lines.select("postcode").join(self._fifths, on="postcode", how="left", maintain_order="left")
        row = pl.format(
            f"{{}},{{}},{{}},{{}},{{}},{{}},{{}},{{}},{{}},f,{self.load}\n",
            pl.col("line").cast(pl.Int64) + self._person,
            *_as_said(read),
            pl.col("area_code").replace_strict(self._areas, default="", return_dtype=pl.String),
            pl.col("practice_code").replace_strict(self._practices, default="", return_dtype=pl.String),
            fifths["fifth"].fill_null(""),
            *(pl.col(c).cast(pl.String).fill_null("") for c in ("deceased_on", "left_area_on")),
            self._dates.of(lines),
        )
        return _joined(lines, row)

    def numbers(self, lines: pl.DataFrame) -> bytes:
        """The rows of these people's numbers, which all have the same length, in the server's binary form.

        Source: the binary format of COPY in PostgreSQL's documentation: for each row the count of its fields, and before each
        field its length.
        """
        import numpy as np
        import polars as pl

        line, scheme = lines["line"].to_numpy().astype(np.int64), PersonIdentifier.REGISTER.encode()
        fields: dict[str, tuple[str, Any]] = {
            "id": (">i8", line + self._number), "person": (">i8", line + self._person), "scheme": (f"S{len(scheme)}", scheme),
            "number": (f"S{PERSON_NUMBER_DIGITS}", np.frombuffer(
                lines["person_number"].str.join("").cast(pl.Binary).item() or b"", f"S{PERSON_NUMBER_DIGITS}")),
            "from": (">i4", (self._today - _EPOCH).days),
        }  # fmt: skip
        types = [("fields", ">i2")]
        for name, (kind, _value) in fields.items():
            types += [(f"{name}_long", ">i4"), (name, kind)]
        rows = np.zeros(len(line), types)
        rows["fields"] = len(fields)
        for name, (kind, value) in fields.items():
            rows[f"{name}_long"], rows[name] = np.dtype(kind).itemsize, value
        return b"".join([_HEAD, rows.tobytes(), _END])


def _joined(lines: pl.DataFrame, row: pl.Expr) -> bytes:
    import polars as pl

    return bytes(lines.select(row.alias("row"))["row"].str.join("").cast(pl.Binary).item() or b"")


def _as_said(read: ReadFile) -> tuple[pl.Series, pl.Series]:
    """The columns `AS_SAID` as they stand in CSV, and the name's key: a piece of the line itself where that may be."""
    import polars as pl

    lines = read.accepted
    if read.raws is None:
        return _csv(lines.select(AS_SAID)), _csv(lines.select("name_key"))
    before = pl.col("person_number").str.len_bytes() + 1
    behind = pl.col("area_code").str.len_bytes() + pl.col("practice_code").str.len_bytes() + 4
    for day in ("deceased_on", "left_area_on"):
        behind += pl.when(pl.col(day).is_null()).then(0).otherwise(DAY)
    raw = read.raws.cast(pl.Binary)
    piece = pl.col("raw").bin.slice(before, pl.col("raw").bin.size() - before - behind).cast(pl.String)
    return lines.with_columns(raw.alias("raw")).select(piece)["raw"], lines["name_key"]


def _csv(columns: pl.DataFrame) -> pl.Series:
    """Columns as one text for each line; no value spans lines."""
    import polars as pl

    body = BytesIO()
    columns.write_csv(body, include_header=False)
    return pl.Series(body.getvalue().decode().split("\n")[:-1], dtype=pl.String)


class _Dates:
    """The next date of people without a history, by the facts that decide it; each combination is answered once.

    Nearly everybody is alive, here, and has an address: then the day of birth alone decides.
    """

    def __init__(self, today: date, answers: Answers) -> None:
        import numpy as np

        self._answers, self._said = answers, list[str]()
        self._first = date(today.year - OLDEST_YEARS, 1, 1)
        self._by_birth = np.full((today - self._first).days + 1, -1)
        self._others: dict[NewFacts, int] = {}

    def of(self, lines: pl.DataFrame) -> pl.Series:
        """The next date and the code of the reason for none, as they stand in CSV."""
        import numpy as np
        import polars as pl

        facts = lines.select("birth_date", "deceased_on", "left_area_on", addressed=pl.col("address_1") != "")
        alive_here = (
            facts["birth_date"].is_not_null()
            & facts["deceased_on"].is_null()
            & facts["left_area_on"].is_null()
        )
        plain = (alive_here & facts["addressed"]).to_numpy()
        at = np.empty(lines.height, dtype=np.int64)
        at[plain] = self._of_births(
            (facts["birth_date"] - self._first).dt.total_days().to_numpy()[plain].astype(np.int64)
        )
        at[~plain] = [self._of_other(other) for other in facts.filter(~plain).iter_rows()]
        return pl.Series(self._said, dtype=pl.String).gather(at)

    def _of_births(self, days: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Where the answers to plain people stand, by the day of birth counted from the first one."""
        import numpy as np

        unknown = np.unique(days[self._by_birth[days] < 0])
        births = [self._first + timedelta(days=int(day)) for day in unknown]
        self._by_birth[unknown] = len(self._said) + np.arange(len(unknown))
        self._said += self._told((birth, None, None, True) for birth in births)
        return self._by_birth[days]

    def _of_other(self, facts: NewFacts) -> int:
        if facts not in self._others:
            self._others[facts] = len(self._said)
            self._said += self._told([facts])
        return self._others[facts]

    def _told(self, facts: Iterable[NewFacts]) -> list[str]:
        return [f"{due or ''},{code}" for *_facts, due, code in self._answers(facts)]
