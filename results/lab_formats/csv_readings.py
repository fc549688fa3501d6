"""The CSV readings file: its columns, its header check, and each line taken apart without guessing.

The file is UTF-8 (a byte-order mark is allowed), comma-separated, one reading a line, with this header row:

=================  ==============================================================================================
`running_number`   the analyser's own counter, whole, 1 to 999,999,999; contiguous within a run
`serial`           the kit serial as scanned, check character included
`value`            a number with a point (`23.4`), or `<` or `>` and the limit (`<4`, `>200`); empty only with a flag;
                   or only `positive` or `negative`, where the limit set on the analyser was confirmed for the run
`unit`             `ng/mL` or `ug/g` (also written `µg/g`); must be the unit confirmed for the run; may be empty
                   beside `positive` or `negative`
`flag`             empty, or the analyser's word for why it gives no good reading (`CLOT`, `LOW VOLUME`)
`read_at`          date and time in ISO 8601 (`2026-06-17T10:42:05`), local time of the laboratory unless an offset
                   is written; empty = the moment the file is loaded, which is the latest it can have been
=================  ==============================================================================================

Any other header is refused whole; a line that does not fit is kept and answered in words.
"""

import csv
from dataclasses import dataclass

from django.utils.functional import Promise
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

COLUMNS = ("running_number", "serial", "value", "unit", "flag", "read_at")
UNITS = {
    "ng/ml": "ng/mL",
    "ug/g": "ug/g",
    "\u00b5g/g": "ug/g",
    "\u03bcg/g": "ug/g",
}
LONGEST = 400


class ReadingsFileError(ValueError):
    """A file that is refused whole: a stable code and a sentence."""

    def __init__(self, code: str, sentence: "str | Promise") -> None:
        super().__init__(code)
        self.code = code
        self.sentence = sentence


@dataclass(frozen=True, slots=True)
class RawLine:
    """One line as written: its number in the file, its text, and its fields (none when it does not fit).

    Lines of messages also carry the result's status, the analyser's own yes or no, why the part was refused before it
    was judged, and whether the analyser keeps no running numbers.
    """

    line: int
    text: str
    fields: tuple[str, ...] | None
    status: str = "final"
    says: bool | None = None
    refused: tuple[str, str] | None = None
    numberless: bool = False

    @property
    def running_number(self) -> int | None:
        """The counter, when it is a whole number."""
        return running_number(self.fields[0]) if self.fields else None


def running_number(text: str) -> int | None:
    """A running number as written, or None."""
    stripped = text.strip()
    return (
        int(stripped)
        if stripped.isascii() and stripped.isdigit() and len(stripped) <= 9 and int(stripped)
        else None
    )


def unit_read(text: str) -> str | None:
    """The unit in its one stored form, or None for any other token."""
    return UNITS.get(text.strip().lower())


def lines_read(content: bytes) -> list[RawLine]:
    """The lines after the header, blank ones left out; ReadingsFileError for a file that is not of this format."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ReadingsFileError(
            "readings_encoding", _("The file is not UTF-8 text. Export it again as CSV in UTF-8.")
        ) from None
    rows = text.replace("\x00", "\ufffd").splitlines()
    header = rows[0] if rows else ""
    _check_header(header)
    return [line_read(number, row) for number, row in enumerate(rows[1:], start=2) if row.strip()]


def _check_header(header: str) -> None:
    found = [name.strip() for name in _split(header) or []]
    if found == list(COLUMNS):
        return
    if ";" in header or "\t" in header:
        sentence: str | Promise = _(
            "The columns are not separated by commas. Export the file again with commas."
        )
    elif not header.strip():
        sentence = _("The file is empty, or begins with an empty line. Nothing was taken.")
    else:
        sentence = format_lazy(
            _("The first line must be: {columns}. This file begins with: {found}"),
            columns=",".join(COLUMNS),
            found=header[:120],
        )
    raise ReadingsFileError("readings_header", sentence)


def _split(row: str) -> list[str] | None:
    if len(row) > LONGEST:
        return None
    try:
        return next(csv.reader([row], strict=True), [])
    except csv.Error:
        return None


def line_read(number: int, row: str) -> RawLine:
    """One line taken apart; without fields when it does not have the documented columns."""
    fields = _split(row)
    fits = fields is not None and len(fields) == len(COLUMNS)
    return RawLine(number, row, tuple(fields) if fields is not None and fits else None)
