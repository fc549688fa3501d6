"""Reads a register file into accepted and refused lines; decides nothing about the database.

Everything is text until checked; nothing is guessed. One person stands on one line, so a line that is broken
costs no other line.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, TypeAlias

from screening.names import name_key_make
from screening.serials import PERSON_NUMBER_DIGITS
from screening.services.register_lines import COLUMNS, file_lines
from screening.services.register_words import refusal

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import polars as pl

LONGEST = {
    "person_number": 32, "family_name": 120, "given_names": 120, "sex": 8, "address_1": 120, "address_2": 120, "locality": 120,
    "postcode": 12, "phone": 24, "email": 120, "language": 12, "area_code": 12, "practice_code": 12,
}  # fmt: skip
DATES = ("birth_date", "deceased_on", "left_area_on")
SEXES = ("female", "male", "other", "unknown")
OLDEST_YEARS = 120
CONTROL = r"[\x00-\x1f\x7f]"
AT_ONCE = 1 << 18
"""So many characters are looked at together: what comes of them stays in the processor's own memory."""


_Test: TypeAlias = "tuple[pl.Expr, str, str]"
"""Where it holds a line is wrong, for the reason of this code, in this column."""


@dataclass(frozen=True, slots=True)
class Refused:
    """A line that is not taken."""

    line: int
    code: str
    sentence: str
    raw: str


@dataclass(frozen=True)
class ReadFile:
    """What lines came to: `accepted` has the columns of the staged table, in its types.

    `numbers` are those of all lines that have as many fields as there are columns, good or not.
    """

    accepted: pl.DataFrame
    refused: list[Refused]
    numbers: pl.Series
    raws: pl.Series | None = None
    """The accepted lines as they came, where each says just what its columns say; none where one had to be changed."""

    @property
    def lines(self) -> int:
        """How many lines were read."""
        return self.accepted.height + len(self.refused)


def register_file_read(content: bytes, *, today: date, areas: frozenset[str]) -> ReadFile:
    """Check a whole file. RoundbookError when the file as such cannot be read; else each line has its answer."""
    return lines_read(file_lines(content), today=today, areas=areas)


@dataclass(frozen=True, slots=True)
class _Marks:
    """What stands anywhere in some lines: a quote, a control character, a blank at an end of a field, anything but plain names."""

    quote: bool
    control: bool
    blank: bool
    wide: bool


def _marks_of(raws: pl.Series) -> _Marks:
    """Look at all characters at once, which costs a tenth of asking line by line."""
    import numpy as np
    import polars as pl

    text = bytes(raws.str.join("\n").cast(pl.Binary).item() or b"")
    found = np.frombuffer(text, np.uint8)
    low, blank, wide = 0, text.startswith(b" ") or text.endswith(b" "), not text.isascii()
    for start in range(0, len(found), AT_ONCE):
        some = found[start : start + AT_ONCE]
        low += int(np.count_nonzero(some < ord(" ")))
        at = np.flatnonzero(some == ord(" ")) + start
        before, after = found.take(at - 1, mode="clip"), found.take(at + 1, mode="clip")
        blank = blank or any(bool((side == ord(end)).any()) for side in (before, after) for end in ",\n")
        wide = wide or bool((after == ord(" ")).any())
    control = low != max(len(raws) - 1, 0) or b"\x7f" in text
    return _Marks(quote=b'"' in text, control=control, blank=blank, wide=wide)


def lines_read(lines: pl.DataFrame, *, today: date, areas: frozenset[str]) -> ReadFile:
    """Check lines (`line`, `raw`) one by one; each has its answer."""
    import polars as pl

    marks = _marks_of(lines["raw"])
    frame, refused = _split(lines, marks)
    frame = _prepared(frame)
    tests = _tests(today, areas, marks)
    wrong = frame.select(
        pl.any_horizontal(test for test, _code, _column in tests).fill_null(False).alias("wrong")
    )["wrong"]
    good = frame
    if wrong.any():
        refused += _answers(frame, wrong, tests)
        good = frame.filter(~wrong)
    changed = marks.quote or marks.blank or (good["sex"] == "").any()
    return ReadFile(
        _typed(good, simple=not (marks.wide or changed)), sorted(refused, key=lambda r: r.line), frame["person_number"],
        None if changed else good["raw"],
    )  # fmt: skip


def _answers(frame: pl.DataFrame, wrong: pl.Series, tests: Sequence[_Test]) -> Iterator[Refused]:
    """What the wrong lines are refused for: the first test that each fails."""
    import polars as pl

    first = pl.coalesce(pl.when(test).then(pl.lit(f"{code}:{column}")) for test, code, column in tests)
    bad = frame.filter(wrong).with_columns(first.alias("problem"))
    told = frame.filter(pl.col("person_number").is_in(bad["person_number"].implode()))
    places = {
        number: same["line"].to_list()
        for (number,), same in told.group_by("person_number", maintain_order=True)
    }
    for row in bad.iter_rows(named=True):
        yield _answer(row, places[row["person_number"]])


def _split(lines: pl.DataFrame, marks: _Marks) -> tuple[pl.DataFrame, list[Refused]]:
    """The lines in columns, blanks around fields gone, and those that do not have as many fields as there are columns."""
    import polars as pl

    rows: list[list[object]] = []
    refused: list[Refused] = []
    plain = lines
    if marks.quote:
        quoted = lines["raw"].str.contains('"', literal=True)
        rows, refused = _split_quoted(lines.filter(quoted))
        plain = lines.filter(~quoted)
    names = [*COLUMNS, "more"]
    fields = pl.col("raw").str.split_exact(",", len(COLUMNS)).struct.rename_fields(names).struct.unnest()
    framed = plain.select("line", "raw", fields)
    as_many = framed[COLUMNS[-1]].is_not_null() & framed["more"].is_null()
    if not as_many.all():
        got = (pl.col("raw").str.count_matches(",", literal=True) + 1).alias("got")
        others = framed.filter(~as_many).select("line", "raw", got)
        refused += [_miscounted(*row) for row in others.iter_rows()]
        framed = framed.filter(as_many)
    framed = framed.drop("more")
    if rows:
        schema = {"line": pl.Int32, "raw": pl.String, **dict.fromkeys(COLUMNS, pl.String)}
        framed = pl.concat([framed, pl.DataFrame(rows, schema=schema, orient="row")]).sort("line")
    # The number is answered as it came; blanks around any other field mean nothing.
    if rows or marks.blank:
        framed = framed.with_columns(pl.col(COLUMNS[1:]).str.strip_chars(" "))
    return framed, refused


def _split_quoted(lines: pl.DataFrame) -> tuple[list[list[object]], list[Refused]]:
    rows: list[list[object]] = []
    refused = []
    for line, raw in lines.iter_rows():
        try:
            fields = next(csv.reader([raw], strict=True))
        except csv.Error:
            refused.append(Refused(line, "quote_open", refusal("quote_open"), raw))
            continue
        if len(fields) == len(COLUMNS):
            rows.append([line, raw, *fields])
        else:
            refused.append(_miscounted(line, raw, len(fields)))
    return rows, refused


def _miscounted(line: int, raw: str, got: int) -> Refused:
    return Refused(line, "field_count", refusal("field_count", got=got, want=len(COLUMNS)), raw)


def numbers_ok(numbers: pl.Series) -> pl.Series:
    """`screening.serials.person_number_ok` of many texts at once. Source: ISO/IEC 7064 MOD 11,10."""
    import numpy as np
    import polars as pl

    shaped = numbers.str.contains(rf"^[0-9]{{{PERSON_NUMBER_DIGITS}}}$")
    whole = numbers.set(~shaped, None).cast(pl.Int64).fill_null(0).to_numpy()
    product, left = np.full(len(numbers), 10), PERSON_NUMBER_DIGITS
    while left > 1:
        many = min(3, left - 1)
        left -= many
        product = _products(many)[product, whole // 10**left % 10**many]
    return shaped & pl.Series((product + whole % 10) % 10 == 1)


@cache
def _products(digits: int) -> npt.NDArray[np.int64]:
    """The product that MOD 11,10 has after so many further digits, by the product before and the digits as a number."""
    import numpy as np

    product = np.repeat(np.arange(11)[:, None], 10**digits, axis=1)
    for power in range(digits - 1, -1, -1):
        total = (product + np.arange(10**digits) // 10**power % 10) % 10
        product = np.where(total == 0, 10, total) * 2 % 11
    return product


def _prepared(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with what the tests look at: dates as such, whether numbers are right, and how often each stands."""
    import polars as pl

    numbers = frame["person_number"]
    frame = frame.with_columns(
        *(_days(frame[c]).alias(f"{c}!") for c in DATES), numbers_ok(numbers).alias("valid")
    )
    if numbers.n_unique() < frame.height:
        return _with_repeats(frame)
    return frame.with_columns(pl.lit(0).alias("nth"), pl.lit(1).alias("versions"))


def _days(texts: pl.Series) -> pl.Series:
    """What is written as a day of the calendar, as such; most people have no day of death and none of leaving."""
    import polars as pl

    at = (texts != "").arg_true()
    written = pl.when(pl.col("day").str.contains(r"^\d{4}-\d{2}-\d{2}$")).then(pl.col("day"))
    said = texts.gather(at).to_frame("day").select(written.str.to_date("%Y-%m-%d", strict=False))["day"]
    return pl.Series([None], dtype=pl.Date).new_from_index(0, len(texts)).scatter(at, said)


def _tests(today: date, areas: frozenset[str], marks: _Marks) -> list[_Test]:
    """What is wrong with a line where it holds, in the order in which it is said."""
    import polars as pl

    number, col = pl.col("person_number"), pl.col
    lengths = {c: col(c).str.len_chars() if marks.wide else col(c).str.len_bytes() for c in LONGEST}
    return [
        *((col(c).str.contains(CONTROL), "control_character", c) for c in COLUMNS if marks.control),
        (number == "", "number_missing", "person_number"),
        (~col("valid"), "number_wrong", "person_number"),
        (col("versions") > 1, "number_twice", "person_number"),
        (col("nth") > 0, "line_twice", "person_number"),
        *((col(c) == "", "name_missing", c) for c in ("family_name", "given_names")),
        *((lengths[c] > longest, "too_long", c) for c, longest in LONGEST.items() if c != "sex"),
        *_date_tests(today),
        (~col("sex").is_in(["", *SEXES]), "sex_unknown", "sex"),
        (~col("language").str.contains(r"^([A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*)?$"), "language_wrong", "language"),
        (~col("area_code").is_in(["", *areas]), "area_unknown", "area_code"),
    ]  # fmt: skip


def _with_repeats(frame: pl.DataFrame) -> pl.DataFrame:
    """For numbers that stand on several lines: the how-manieth line of its number (`nth`), in how many `versions`."""
    import polars as pl

    again = frame.filter(pl.col("person_number").is_duplicated()).select(
        "line", pl.int_range(pl.len()).over("person_number").alias("nth"),
        pl.struct(COLUMNS).n_unique().over("person_number").alias("versions"),
    )  # fmt: skip
    return frame.join(again, on="line", how="left", maintain_order="left")


def _date_tests(today: date) -> list[_Test]:
    import polars as pl

    birth = pl.col("birth_date!")
    oldest = date(today.year - OLDEST_YEARS, 1, 1)
    return [
        *(((pl.col(c) != "") & pl.col(f"{c}!").is_null(), "date_wrong", c) for c in DATES),
        *((pl.col(f"{c}!") > today, "date_future", c) for c in ("birth_date", "deceased_on")),
        (birth < oldest, "date_old", "birth_date"),
        *((pl.col(f"{c}!") < birth, "date_order", c) for c in ("deceased_on", "left_area_on")),
    ]


def _answer(row: dict[str, object], same: list[int]) -> Refused:
    """The refusal of a line; `same` are the lines of its number."""
    (code, _colon, column), line = str(row["problem"]).partition(":"), int(str(row["line"]))
    value = str(row[column])
    lines = same[:1] if code == "line_twice" else same
    facts = {
        "column": column, "value": value[:60], "got": len(value), "want": LONGEST.get(column, ""),
        "lines": ", ".join(str(n) for n in lines[:8]),
    }  # fmt: skip
    return Refused(line, code, refusal(code, **facts), str(row["raw"]))


def _typed(frame: pl.DataFrame, *, simple: bool) -> pl.DataFrame:
    import polars as pl

    keys = _simple_keys(frame) if simple else name_keys(frame)

    return frame.select(
        "line", *COLUMNS[:3], keys, pl.col("birth_date!").alias("birth_date"),
        pl.when(pl.col("sex") == "").then(pl.lit("unknown")).otherwise(pl.col("sex")).alias("sex"),
        *COLUMNS[5:14], *(pl.col(f"{c}!").alias(c) for c in DATES[1:]),
    )  # fmt: skip


def _simple_keys(frame: pl.DataFrame) -> pl.Series:
    """The same for names in ASCII with single blanks, which only lose their capitals."""
    import polars as pl

    name = pl.concat_str("family_name", pl.lit(" "), "given_names").str.to_lowercase().str.slice(0, 240)
    return frame.select(name.alias("name_key"))["name_key"]


def name_keys(frame: pl.DataFrame) -> pl.Series:
    """`screening.names.name_key_make` of many names at once; the plain ones, nearly all, without leaving the columns."""
    import polars as pl

    names = frame.select(pl.concat_str("family_name", pl.lit(" "), "given_names").alias("name"))
    plain = pl.col("name").str.contains(r"^[!-~]+( [!-~]+)*$")
    known = names.select(
        pl.when(plain).then(pl.col("name").str.to_lowercase().str.slice(0, 240)).alias("name_key")
    )["name_key"]
    other = [
        name_key_make(f, g)
        for f, g in frame.filter(known.is_null()).select("family_name", "given_names").iter_rows()
    ]
    return (
        known if not other else known.scatter(known.is_null().arg_true(), pl.Series(other, dtype=pl.String))
    )
