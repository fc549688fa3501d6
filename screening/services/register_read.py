"""Reads a register file into accepted and refused lines; decides nothing about the database.

Everything is text until checked; nothing is guessed. One person stands on one line, so a line that is broken
costs no other line.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from screening.names import name_key_make
from screening.serials import person_number_ok
from screening.services.register_words import refusal
from staff.errors import RoundbookError

if TYPE_CHECKING:
    import polars as pl

MANY_LINES, SHORTEST_LINE = 20_000, 40
"""Above so many lines a file is refused as a whole when its lines have fewer bytes than this on average."""
COLUMNS = (
    "person_number", "family_name", "given_names", "birth_date", "sex", "address_1", "address_2", "locality", "postcode",
    "phone", "email", "language", "area_code", "practice_code", "deceased_on", "left_area_on",
)  # fmt: skip
LONGEST = {
    "person_number": 32, "family_name": 120, "given_names": 120, "sex": 8, "address_1": 120, "address_2": 120, "locality": 120,
    "postcode": 12, "phone": 24, "email": 120, "language": 12, "area_code": 12, "practice_code": 12,
}  # fmt: skip
DATES = ("birth_date", "deceased_on", "left_area_on")
SEXES = ("female", "male", "other", "unknown")
OLDEST_YEARS = 120


@dataclass(frozen=True, slots=True)
class Refused:
    """A line that is not taken."""

    line: int
    code: str
    sentence: str
    raw: str


@dataclass(frozen=True)
class ReadFile:
    """What a file came to: `accepted` has the columns of the staged table, in its types."""

    accepted: pl.DataFrame
    refused: list[Refused]

    @property
    def lines(self) -> int:
        """How many lines the file has below its header."""
        return self.accepted.height + len(self.refused)


def register_file_read(content: bytes, *, today: date, areas: frozenset[str]) -> ReadFile:
    """Check a whole file. RoundbookError when the file as such cannot be read; else each line has its answer."""

    import polars as pl

    _lines_long_enough(content)
    header, *lines = _text(content).replace("\r\n", "\n").split("\n")
    _header_checked(header)
    numbered = [(n, line) for n, line in enumerate(lines, start=2) if line.strip()]
    if not numbered:
        raise RoundbookError(
            "file_empty", _("The file has a header and no line below it. Send the file with its people.")
        )
    rows, refused = _split(numbered)
    frame = _framed(rows)
    verdicts = _verdicts(frame, today, areas)
    bad = verdicts.filter(pl.col("code") != "")
    raws = dict(numbered)
    refused += [_answer(row, raws, today) for row in bad.iter_rows(named=True)]
    good = verdicts.filter(pl.col("code") == "")
    return ReadFile(_typed(good), sorted(refused, key=lambda r: r.line))


def _lines_long_enough(content: bytes) -> None:
    """A line of people cannot be this short, and answering millions of such lines one by one would take all memory."""
    lines = content.count(b"\n")
    if lines > MANY_LINES and len(content) < lines * SHORTEST_LINE:
        raise RoundbookError(
            "file_lines_short",
            _("The lines of this file are too short to hold people: %(n)s lines in %(b)s bytes. Send the file as the register wrote it.")
            % {"n": lines, "b": len(content)},
        )  # fmt: skip


def _text(content: bytes) -> str:
    if not content.strip():
        raise RoundbookError("file_empty", _("The file is empty. Send the register file again."))
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise RoundbookError(
            "file_encoding", _("The file is written in UTF-16. Save it as UTF-8 and send it again.")
        )
    try:
        return content.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError as error:
        body = content.removeprefix(b"\xef\xbb\xbf")
        line = body.count(b"\n", 0, error.start) + 1
        raise RoundbookError(
            "file_encoding",
            _("The file is not UTF-8: byte %(byte)s on line %(line)s does not belong there. Save it as UTF-8 and send it again.")
            % {"byte": f"0x{body[error.start]:02X}", "line": line},
            line=line,
            offset=error.start,
        ) from error  # fmt: skip


def _header_checked(header: str) -> None:
    found = [name.strip().strip('"') for name in header.split(",")]
    if tuple(found) == COLUMNS:
        return
    expected = ", ".join(COLUMNS)
    wrong = [_("The first line of a register file must name its columns; this one does not fit.")]
    if len(found) == 1 and (";" in header or "\t" in header):
        wrong.append(_("The columns are not separated by commas."))
    else:
        missing, strange = [c for c in COLUMNS if c not in found], [c for c in found if c not in COLUMNS]
        if missing:
            wrong.append(_("Missing: %(names)s.") % {"names": ", ".join(missing)})
        if strange:
            wrong.append(_("Not known: %(names)s.") % {"names": ", ".join(repr(c[:40]) for c in strange)})
        if not missing and not strange:
            wrong.append(_("The columns are in another order, or one stands twice."))
    wrong.append(_("Expected: %(names)s.") % {"names": expected})
    raise RoundbookError("file_header", " ".join(wrong), found=found)


def _split(numbered: list[tuple[int, str]]) -> tuple[list[list[object]], list[Refused]]:
    rows: list[list[object]] = []
    refused = []
    for number, line in numbered:
        try:
            fields = next(csv.reader([line], strict=True)) if '"' in line else line.split(",")
        except csv.Error:
            refused.append(Refused(number, "quote_open", refusal("quote_open"), line))
            continue
        if len(fields) == len(COLUMNS):
            rows.append([number, *fields])
        else:
            facts = {"got": len(fields), "want": len(COLUMNS)}
            refused.append(Refused(number, "field_count", refusal("field_count", **facts), line))
    return rows, refused


def _framed(rows: list[list[object]]) -> pl.DataFrame:
    import polars as pl

    schema = {"line": pl.Int32, **dict.fromkeys(COLUMNS, pl.String)}
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    # The number is answered as it came; blanks around any other field mean nothing.
    return frame.with_columns(pl.col(COLUMNS[1:]).str.strip_chars(" "))


def _problem(test: pl.Expr, code: str, column: str) -> pl.Expr:
    import polars as pl

    return pl.when(test).then(pl.lit(f"{code}:{column}"))


def _verdicts(frame: pl.DataFrame, today: date, areas: frozenset[str]) -> pl.DataFrame:
    """The frame with the first problem of each line as `code` (empty: none) and the column it is about."""

    import polars as pl

    number = pl.col("person_number")
    valid = pl.Series([person_number_ok(value) for value in frame["person_number"]], dtype=pl.Boolean)
    parsed = [
        pl.when(pl.col(c).str.contains(r"^\d{4}-\d{2}-\d{2}$")).then(pl.col(c)).str.to_date("%Y-%m-%d", strict=False).alias(f"{c}!")
        for c in DATES
    ]  # fmt: skip
    frame = frame.with_columns(
        *parsed,
        valid.alias("valid"),
        pl.int_range(pl.len()).over("person_number").alias("nth"),
        pl.struct(COLUMNS).n_unique().over("person_number").alias("versions"),
    )
    tests = [
        *(_problem(pl.col(c).str.contains(r"[\x00-\x1f\x7f]"), "control_character", c) for c in COLUMNS),
        _problem(number == "", "number_missing", "person_number"),
        _problem(~pl.col("valid"), "number_wrong", "person_number"),
        _problem(pl.col("versions") > 1, "number_twice", "person_number"),
        _problem(pl.col("nth") > 0, "line_twice", "person_number"),
        *(_problem(pl.col(c) == "", "name_missing", c) for c in ("family_name", "given_names")),
        *(_problem(pl.col(c).str.len_chars() > longest, "too_long", c) for c, longest in LONGEST.items() if c != "sex"),
        *_date_tests(today),
        _problem(~pl.col("sex").is_in(["", *SEXES]), "sex_unknown", "sex"),
        _problem(~pl.col("language").str.contains(r"^([A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*)?$"), "language_wrong", "language"),
        _problem(~pl.col("area_code").is_in(["", *areas]), "area_unknown", "area_code"),
    ]  # fmt: skip
    found = pl.coalesce(*tests, pl.lit(":")).str.split_exact(":", 1)
    return frame.with_columns(
        found.struct.field("field_0").alias("code"), found.struct.field("field_1").alias("column"),
        pl.col("line").implode().over("person_number").alias("lines"),
    )  # fmt: skip


def _date_tests(today: date) -> list[pl.Expr]:
    import polars as pl

    birth = pl.col("birth_date!")
    oldest = date(today.year - OLDEST_YEARS, 1, 1)
    return [
        *(_problem((pl.col(c) != "") & pl.col(f"{c}!").is_null(), "date_wrong", c) for c in DATES),
        *(_problem(pl.col(f"{c}!") > today, "date_future", c) for c in ("birth_date", "deceased_on")),
        _problem(birth < oldest, "date_old", "birth_date"),
        *(_problem(pl.col(f"{c}!") < birth, "date_order", c) for c in ("deceased_on", "left_area_on")),
    ]


def _answer(row: dict[str, object], raws: dict[int, str], today: date) -> Refused:
    code, column, line = str(row["code"]), str(row["column"]), int(str(row["line"]))
    value = str(row[column])
    others = row["lines"] if isinstance(row["lines"], list) else []
    lines = others[:1] if code == "line_twice" else others
    facts = {
        "column": column, "value": value[:60], "got": len(value), "want": LONGEST.get(column, ""),
        "lines": ", ".join(str(n) for n in lines[:8]),
    }  # fmt: skip
    return Refused(line, code, refusal(code, **facts), raws[line])


def _typed(frame: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    keys = [name_key_make(f, g) for f, g in frame.select("family_name", "given_names").iter_rows()]
    return frame.select(
        "line", *COLUMNS[:3], pl.Series("name_key", keys, dtype=pl.String), pl.col("birth_date!").alias("birth_date"),
        pl.when(pl.col("sex") == "").then(pl.lit("unknown")).otherwise(pl.col("sex")).alias("sex"),
        *COLUMNS[5:14], *(pl.col(f"{c}!").alias(c) for c in DATES[1:]),
    )  # fmt: skip
