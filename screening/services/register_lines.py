"""How a register file falls into lines; refuses a file that cannot be read as a whole.

A file is taken part by part, so that the lines of a large one never lie in memory all at once where nobody needs that.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NoReturn

from django.utils.translation import gettext as _

from staff.errors import RoundbookError

if TYPE_CHECKING:
    import polars as pl

COLUMNS = (
    "person_number", "family_name", "given_names", "birth_date", "sex", "address_1", "address_2", "locality", "postcode",
    "phone", "email", "language", "area_code", "practice_code", "deceased_on", "left_area_on",
)  # fmt: skip
MANY_LINES, SHORTEST_LINE = 20_000, 40
"""Above so many lines a file is refused as a whole when its lines have fewer bytes than this on average."""
PART = 2 * 1024 * 1024
"""So many bytes, up to the end of a line, are taken at once."""
LOOK = 64 * 1024
"""So many bytes at the beginning of a part tell whether its lines may be too short."""
GROWS = 1.25
"""So many times as large as the one before is a part, until it is a whole one."""
MOST_NAMED = 10
"""So many columns that are not known are named."""
_BOM = b"\xef\xbb\xbf"


def file_lines(content: bytes) -> pl.DataFrame:
    """The lines below a file's header that are not blank: `line` (the header is line 1) and `raw`, as they came.

    RoundbookError when the file as such cannot be read.
    """
    import polars as pl

    return pl.concat(file_parts(content))


def file_parts(content: bytes, *, first: float = 1, at_once: int = 1) -> Iterator[pl.DataFrame]:
    """The same lines a part, or some parts at once, at a time, in order.

    The `first` may be a small part, for whoever waits for it; each next one is a little larger until it is whole.

    RoundbookError at once when the file as such cannot be read, and at the part where it cannot be read any further.
    """
    _maybe_text(content)
    start = len(_BOM) if content.startswith(_BOM) else 0
    end = content.find(b"\n", start)
    end = len(content) if end < 0 else end
    _header_checked(_decoded(content, start, end).removesuffix("\r"))
    return _parts(content, end + 1, max(int(first * PART), 1), at_once * PART)


def _parts(content: bytes, start: int, size: int, largest: int) -> Iterator[pl.DataFrame]:
    begin, line, found = start, 2, False
    while start < len(content):
        end = content.find(b"\n", start + size - 1) + 1 or len(content)
        if (
            content.count(b"\n", start, min(start + LOOK, end)) * SHORTEST_LINE > LOOK
        ):  # counted before it is taken
            _lines_long_enough(line - 2 + content.count(b"\n", start, end), end - begin)
        lines = _part(content, start, end, line)
        line += lines.height
        _lines_long_enough(line - 2, end - begin)
        lines = _not_blank(lines)
        start, size = end, min(int(GROWS * size), largest)
        if lines.height:
            found = True
            yield lines
    if not found:
        raise RoundbookError(
            "file_empty", _("The file has a header and no line below it. Send the file with its people.")
        )


def _part(content: bytes, start: int, end: int, first: int) -> pl.DataFrame:
    """The lines of a part, the first one under this number."""
    import polars as pl

    try:
        frame = pl.read_lines(content[start:end], name="raw", row_index_name="line", row_index_offset=first)
    except pl.exceptions.ComputeError:
        _decoded(content, start, end)  # which says where it stops being text
        raise
    return pl.DataFrame([frame["line"].cast(pl.Int32), frame["raw"]])


def _not_blank(lines: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    raws = lines["raw"]
    # A line that begins with a printed character of ASCII does not begin with any kind of blank.
    plain = (raws >= "!") & (raws < "\x7f") & (raws.str.len_bytes() >= SHORTEST_LINE)
    if plain.all():
        return lines
    return lines.filter(plain | pl.col("raw").str.contains(r"\S"))


def _lines_long_enough(lines: int, size: int) -> None:
    """Lines of people cannot be this short, and answering millions of such lines one by one would take all memory."""
    if lines > MANY_LINES and size < lines * SHORTEST_LINE:
        raise RoundbookError(
            "file_lines_short",
            _("The lines of this file are too short to hold people: %(n)s lines in %(b)s bytes. Send the file as the register wrote it.")
            % {"n": lines, "b": size},
        )  # fmt: skip


def _maybe_text(content: bytes) -> None:
    if not content or content.isspace():
        raise RoundbookError("file_empty", _("The file is empty. Send the register file again."))
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise RoundbookError(
            "file_encoding", _("The file is written in UTF-16. Save it as UTF-8 and send it again.")
        )


def _decoded(content: bytes, start: int, end: int) -> str:
    try:
        return str(memoryview(content)[start:end], "utf-8")
    except UnicodeDecodeError as error:
        _undecodable(content, start + error.start, error)


def _undecodable(content: bytes, at: int, error: UnicodeDecodeError) -> NoReturn:
    line = content.count(b"\n", 0, at) + 1
    raise RoundbookError(
        "file_encoding",
        _("The file is not UTF-8: byte %(byte)s on line %(line)s does not belong there. Save it as UTF-8 and send it again.")
        % {"byte": f"0x{content[at]:02X}", "line": line},
        line=line,
        offset=at,
    ) from error  # fmt: skip


def _header_checked(header: str) -> None:
    if "\r" in header:
        raise RoundbookError(
            "file_line_ends",
            _("The lines of this file end in a carriage return alone. Save it with a line feed at the end of each line and send it again."),
        )  # fmt: skip
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
            wrong.append(_("Not known: %(names)s.") % {"names": _first_of(strange)})
        if not missing and not strange:
            wrong.append(_("The columns are in another order, or one stands twice."))
    wrong.append(_("Expected: %(names)s.") % {"names": expected})
    raise RoundbookError("file_header", " ".join(wrong), found=found[:MOST_NAMED])


def _first_of(names: list[str]) -> str:
    """The first of some names; a line of data in place of the header would name people by the thousand."""
    shown = ", ".join(repr(name[:40]) for name in names[:MOST_NAMED])
    more = len(names) - MOST_NAMED
    return _("%(names)s and %(more)s more") % {"names": shown, "more": more} if more > 0 else shown
