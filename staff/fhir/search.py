"""Search parameters of the FHIR facade: read strictly, refused by name when unknown, turned into filters on rows."""

import base64
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from staff.fhir.outcome import SearchRefused
from staff.fhir.parts import Frame

Rows = QuerySet[Any]
Asked = Sequence[str]
Narrow = Callable[[Rows, Asked, Frame], Rows]
"""Narrows rows to those that meet every value given; commas within a value mean “or”."""
MOST, USUAL, MOST_OR = 200, 50, 200
YEARS = (1800, 2300)
OWN = ("_count", "_cursor", "_format")
JSON_FORMATS = frozenset({"json", "application/json", "application/fhir+json"})
_DAY = re.compile(r"(eq|ge|gt|le|lt)?(\d{4})(?:-(\d{2})(?:-(\d{2})(T[0-9:.]+(?:Z|[+-]\d{2}:\d{2}))?)?)?")


@dataclass(frozen=True)
class Param:
    """A search parameter: its FHIR type, its words for the CapabilityStatement, and what it does."""

    kind: str
    words: str
    narrow: Narrow


@dataclass(frozen=True)
class Span:
    """From `low` on and before `high`; None is no bound."""

    low: datetime | None = None
    high: datetime | None = None

    def and_also(self, other: "Span") -> "Span":
        """What is within both."""
        lows = [one.low for one in (self, other) if one.low]
        highs = [one.high for one in (self, other) if one.high]
        return Span(max(lows, default=None), min(highs, default=None))


def span_of(values: Asked, zone: ZoneInfo) -> Span:
    """The moments that meet every date given (`2026-06`, `ge2026-06-17`, `lt2026-06-17T12:00:00Z`); SearchRefused."""
    found = Span()
    for value in values:
        found = found.and_also(_span(value, zone))
    return found


def _span(value: str, zone: ZoneInfo) -> Span:
    match = _DAY.fullmatch(value)
    bounds = _bounds(match, zone) if match else None
    if match is None or bounds is None:
        words = _(
            "Write a date such as 2026-06-17 or 2026-06-17T09:30:00Z, with eq, ge, gt, le or lt before it."
        )
        raise SearchRefused("invalid", words)
    low, high = bounds
    spans = {
        "eq": Span(low, high),
        "ge": Span(low),
        "gt": Span(high),
        "le": Span(None, high),
        "lt": Span(None, low),
    }
    return spans[match[1] or "eq"]


def _bounds(match: re.Match[str], zone: ZoneInfo) -> tuple[datetime, datetime] | None:
    """The first moment of what was written and the first one after it; None where there is no such date."""
    year, month, dom, rest = int(match[2]), match[3], match[4], match[5]
    try:
        if rest:
            moment = datetime.fromisoformat(match[0].removeprefix(match[1] or ""))
            return (moment, moment + timedelta(seconds=1)) if YEARS[0] < year < YEARS[1] else None
        first = date(year, int(month or 1), int(dom or 1))
        if dom:
            after = first + timedelta(days=1)
        elif month:
            after = date(year + first.month // 12, first.month % 12 + 1, 1)
        else:
            after = date(year + 1, 1, 1)
    except ValueError:
        return None
    if not YEARS[0] < year < YEARS[1]:
        return None
    return datetime.combine(first, time(), zone), datetime.combine(after, time(), zone)


def moments(field: str) -> Narrow:
    """Rows whose moment in this column meets the dates given."""

    def narrow(rows: Rows, values: Asked, frame: Frame) -> Rows:
        span = span_of(values, frame.zone)
        given = {f"{field}__gte": span.low, f"{field}__lt": span.high}
        return rows.filter(**{name: value for name, value in given.items() if value})

    return narrow


def days_of(values: Asked, frame: Frame) -> tuple[date | None, date | None]:
    """The first and the last day that meet the dates given."""
    span = span_of(values, frame.zone)
    low = span.low.astimezone(frame.zone).date() if span.low else None
    high = (span.high - timedelta(microseconds=1)).astimezone(frame.zone).date() if span.high else None
    return low, high


def days(first: str, last: str = "") -> Narrow:
    """Rows whose day (or whose days, from `first` to `last`) meet the dates given."""

    def narrow(rows: Rows, values: Asked, frame: Frame) -> Rows:
        low, high = days_of(values, frame)
        given = {f"{last or first}__gte": low, f"{first}__lte": high}
        return rows.filter(**{name: value for name, value in given.items() if value})

    return narrow


def alternatives(value: str) -> list[str]:
    """What a value names, separated by commas; SearchRefused for too many."""
    found = [one.strip() for one in value.split(",") if one.strip()]
    if not 1 <= len(found) <= MOST_OR:
        raise SearchRefused("invalid", _("Give 1 to 200 values, separated by commas."))
    return found


def ids(field: str) -> Narrow:
    """Rows by the logical ids of their resources; an id that cannot be ours finds nothing."""

    def narrow(rows: Rows, values: Asked, frame: Frame) -> Rows:
        for value in values:
            rows = rows.filter(**{f"{field}__in": keys(alternatives(value))})
        return rows

    return narrow


def keys(texts: Sequence[str]) -> list[int]:
    """The numbers among these ids."""
    return [int(one) for one in texts if re.fullmatch("[1-9][0-9]{0,17}", one)]


def tokens(field: str, system: str, read: Callable[[str], Any] = str) -> Narrow:
    """Rows by an identifier, `value` or `system|value`; another system finds nothing."""

    def narrow(rows: Rows, values: Asked, frame: Frame) -> Rows:
        for value in values:
            wanted = [value_of(one, frame.system(system)) for one in alternatives(value)]
            known = [read(one) for one in wanted if one]
            rows = rows.filter(**{f"{field}__in": [one for one in known if one is not None]})
        return rows

    return narrow


def whole(text: str) -> int | None:
    """A row's number in an identifier, or None."""
    return next(iter(keys([text])), None)


def value_of(token: str, system: str) -> str:
    """The value of a token; empty where it names another system than this one. NUL never reaches the database."""
    named, bar, value = token.rpartition("|")
    return "" if (bar and named != system) or "\x00" in value else value


@dataclass(frozen=True)
class Page:
    """How many, and after which key."""

    count: int
    after: int | None


def page_asked(given: Mapping[str, Sequence[str]]) -> Page:
    """`_count` (more than 200 is 200) and the cursor of a `next` link; SearchRefused."""
    text = given.get("_count", [str(USUAL)])[-1]
    if not re.fullmatch("[0-9]{1,9}", text) or int(text) < 1:
        raise SearchRefused("invalid", _("Give _count as a whole number from 1 to 200."))
    return Page(min(int(text), MOST), _after(given.get("_cursor", [""])[-1]))


def _after(text: str) -> int | None:
    if not text:
        return None
    try:
        raw = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)).decode()
    except ValueError:
        raw = ""
    if not re.fullmatch("k[0-9]{1,18}", raw):
        raise SearchRefused("invalid", _("Follow the “next” link as it is, or search anew without _cursor."))
    return int(raw[1:])


def cursor_of(key: int) -> str:
    """The cursor after this key."""
    return base64.urlsafe_b64encode(f"k{key}".encode()).decode().rstrip("=")


def params_checked(given: Mapping[str, Sequence[str]], known: Mapping[str, Param]) -> dict[str, list[str]]:
    """The parameters of ours that were given; an unknown one is refused, since ignoring it would show too much."""
    unknown = sorted(set(given) - set(known) - set(OWN))
    if unknown:
        told = {"given": ", ".join(unknown)[:80], "known": ", ".join(sorted(known))}
        raise SearchRefused("not-supported", _("Not known here: %(given)s. Known: %(known)s.") % told)
    if any(one not in JSON_FORMATS for one in given.get("_format", ())):
        raise SearchRefused("not-supported", _("Only JSON is given here: leave _format out."))
    return {name: list(values) for name, values in given.items() if name in known}
