"""The collection day a label says, the days between which a sample was collected, and its age; pure
rules."""

from __future__ import annotations

import datetime as dt
import re
from calendar import monthrange
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.dates import MONTHS
from django.utils.functional import Promise, lazy
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


class CollectionCommand(StrEnum):
    """What a command card says instead of a day."""

    NO_DATE = "NO DATE"
    OTHER_MONTH = "OTHER MONTH"
    IMPOSSIBLE_DATE = "IMPOSSIBLE DATE"
    FUTURE_DATE = "FUTURE DATE"


class CollectionReason(StrEnum):
    """Why a return is set aside for its collection day."""

    BEFORE_DISPATCH = "collected_before_dispatch"
    OTHER_MONTH = "collected_other_month"
    IMPOSSIBLE_DATE = "collected_impossible_date"
    FUTURE_DATE = "collected_future_date"

    @property
    def sentence(self) -> StrOrPromise:
        """The reason in words, with what to do next."""
        return _REASONS[self]


_REASONS: dict[CollectionReason, StrOrPromise] = {
    CollectionReason.BEFORE_DISPATCH: _("The day on the label is before the kit left us. Ask the person."),
    CollectionReason.OTHER_MONTH: _("The label says another month. Enter its full date at the set-asides."),
    CollectionReason.IMPOSSIBLE_DATE: _("The label says a day that does not exist. Ask the person."),
    CollectionReason.FUTURE_DATE: _("The day on the label is after the kit arrived. Ask the person."),
}


class CollectionErrorCode(StrEnum):
    """Why what was keyed is not a collection day at all, so it is asked for again."""

    EMPTY = "day_empty"
    UNREADABLE = "day_unreadable"
    NOT_A_DAY = "day_not_1_to_31"
    ARRIVED_BEFORE_DISPATCH = "arrived_before_dispatch"


class CollectionError(ValueError):
    """A keyed text that is asked for again: a stable code and a sentence that says what to key."""

    def __init__(self, code: CollectionErrorCode) -> None:
        super().__init__(code.value)
        self.code = code
        self.sentence: str | Promise = _ERRORS[code]


_ERRORS: dict[CollectionErrorCode, str | Promise] = {
    CollectionErrorCode.EMPTY: _("Key the day on the label, or scan the card NO DATE."),
    CollectionErrorCode.UNREADABLE: _(
        "Key the day on the label (19), day and month (19/5), or a full date; or scan a card."
    ),
    CollectionErrorCode.NOT_A_DAY: _(
        "No month has that day. Key 1 to 31, or scan the card IMPOSSIBLE DATE if the label says so."
    ),
    CollectionErrorCode.ARRIVED_BEFORE_DISPATCH: _(
        "This kit arrived before it left us by our records. Check the arrival day of the delivery."
    ),
}


@dataclass(frozen=True, slots=True)
class CollectionDay:
    """What a keyed day means: a date, or none (undated or not usable), with its age in days at arrival.

    ``set_aside`` says why the return is set aside, ``suggestion`` a likely day meant, both None when all
    is well. For an undated sample ``age_days`` is the worst case, arrival − dispatch.
    """

    date: dt.date | None
    age_days: int | None
    arrived_on: dt.date
    set_aside: CollectionReason | None = None
    suggestion: dt.date | None = None

    @property
    def undated(self) -> bool:
        """Whether the label carries no date, so the missing-date rule decides."""
        return self.date is None and self.set_aside is None

    @property
    def words(self) -> StrOrPromise:
        """The day in words with its month and its age at arrival: “16 May, 32 days ago”."""
        return self.words_on(self.arrived_on)

    def words_on(self, on: dt.date) -> StrOrPromise:
        """The day in words with its month and its age on a given day; the year too where it is another
        year."""
        if self.date is None:
            return _("no date") if self.undated else _("no usable date")
        return day_in_words(self.date, on)


@dataclass(frozen=True, slots=True)
class SampleDates:
    """The earliest and the latest day a sample can have been collected. Source: ruling R2."""

    earliest: date
    latest: date

    @classmethod
    def dated(cls, day: date) -> SampleDates:
        """Both dates are the day on the label."""
        return cls(day, day)

    @classmethod
    def undated(cls, dispatched_on: date, arrived_on: date) -> SampleDates:
        """From the first day that serial could have left us to the arrival of its delivery."""
        return cls(dispatched_on, arrived_on)


def sample_dates(day: CollectionDay, dispatched_on: date) -> SampleDates:
    """The two dates of a sample: the label's day where it counts, else the widest span. Source: ruling
    R2."""
    if day.date is not None and day.set_aside is None:
        return SampleDates.dated(day.date)
    return SampleDates.undated(dispatched_on, day.arrived_on)


def age_days(earliest: date, on: date) -> int:
    """Calendar days from the earliest possible collection day to ``on``; the collection day itself is 0."""
    return (on - earliest).days


def too_old(earliest: date, analysed_on: date, limit_days: int) -> bool:
    """Whether a sample is over its limit on the day of analysis; the limit day itself is allowed. Source:
    R2."""
    return age_days(earliest, analysed_on) > limit_days


def expired(latest: date, expires_on: date) -> bool:
    """Whether a kit had expired on the latest possible collection day; usable on the expiry day. Source:
    R2."""
    return latest > expires_on


def infer_day(keyed: str, arrived_on: date, dispatched_on: date) -> CollectionDay:
    """What the keyed day of a label means.

    ``keyed`` is a day (``1`` to ``31``), a day and month (``19/5``, ``19.5``), a full date
    (``19/5/2026``, ``2026-05-19``), ``.`` for no date, or a command card. A day means the latest such day
    not after the arrival of the delivery; 31 looks back to the last month that has it; a day and month
    mean their latest such date. Before dispatch, after arrival or not in the calendar: set aside, with a
    suggestion where one slip explains it. CollectionError for an empty or unreadable text, a day no month
    has, or an arrival before dispatch; ``+`` (same as last) is the caller's. Source: rulings R2 and R3.
    """
    if arrived_on < dispatched_on:
        raise CollectionError(CollectionErrorCode.ARRIVED_BEFORE_DISPATCH)
    text = " ".join(keyed.split()).upper()
    if not text:
        raise CollectionError(CollectionErrorCode.EMPTY)
    if text in (".", CollectionCommand.NO_DATE):
        return CollectionDay(None, age_days(dispatched_on, arrived_on), arrived_on)
    if text in _CARD_REASONS:
        return CollectionDay(None, None, arrived_on, _CARD_REASONS[text])
    year, month, day = _parts(text)
    found = _latest(year, month, day, arrived_on)
    if found is None:
        return CollectionDay(None, None, arrived_on, CollectionReason.IMPOSSIBLE_DATE)
    reason = _reason(found, arrived_on, dispatched_on)
    suggestion = _suggestion(found, month is None, arrived_on, dispatched_on) if reason else None
    return CollectionDay(found, age_days(found, arrived_on), arrived_on, reason, suggestion)


_CARD_REASONS: dict[str, CollectionReason] = {
    CollectionCommand.OTHER_MONTH: CollectionReason.OTHER_MONTH,
    CollectionCommand.IMPOSSIBLE_DATE: CollectionReason.IMPOSSIBLE_DATE,
    CollectionCommand.FUTURE_DATE: CollectionReason.FUTURE_DATE,
}
_DAY = re.compile(r"[0-9]{1,2}")
_DAY_FIRST = re.compile(r"([0-9]{1,2})[/.-]([0-9]{1,2})(?:[/.-]([0-9]{4}|[0-9]{2})|\.)?")
_ISO = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})")


def _parts(text: str) -> tuple[int | None, int | None, int]:
    """Year, month and day of a keyed text, day before month; a two-figure year is of this century."""
    if _DAY.fullmatch(text):
        if not 1 <= int(text) <= 31:
            raise CollectionError(CollectionErrorCode.NOT_A_DAY)
        return None, None, int(text)
    if iso := _ISO.fullmatch(text):
        return int(iso[1]), int(iso[2]), int(iso[3])
    if match := _DAY_FIRST.fullmatch(text):
        year = None if match[3] is None else int(match[3]) + (2000 if len(match[3]) == 2 else 0)
        return year, int(match[2]), int(match[1])
    raise CollectionError(CollectionErrorCode.UNREADABLE)


def _latest(year: int | None, month: int | None, day: int, arrived_on: date) -> date | None:
    """The latest date with those parts, not after arrival unless its year was written; None if there is
    none."""
    if year is not None and month is not None:
        return _date(year, month, day)
    for candidate_year, candidate_month in _months_back(arrived_on):
        if month is not None and candidate_month != month:
            continue
        candidate = _date(candidate_year, candidate_month, day)
        if candidate is not None and candidate <= arrived_on:
            return candidate
    return None


def _months_back(arrived_on: date) -> Iterator[tuple[int, int]]:
    """Year and month from the month of arrival backwards, over the nine years that surely hold a 29
    February."""
    for back in range(9 * 12):
        index = arrived_on.year * 12 + arrived_on.month - 1 - back
        yield index // 12, index % 12 + 1


def _date(year: int, month: int, day: int) -> date | None:
    """The date, or None where the calendar has none."""
    if not (1 <= year <= 9999 and 1 <= month <= 12 and 1 <= day <= monthrange(year, month)[1]):
        return None
    return date(year, month, day)


def _reason(found: date, arrived_on: date, dispatched_on: date) -> CollectionReason | None:
    if found > arrived_on:
        return CollectionReason.FUTURE_DATE
    return CollectionReason.BEFORE_DISPATCH if found < dispatched_on else None


def _suggestion(found: date, day_only: bool, arrived_on: date, dispatched_on: date) -> date | None:
    """The one day between dispatch and arrival that a single slip explains: figures or parts swapped,
    wrong year.

    None where no slip fits or more than one does: a person confirms, the rule never guesses.
    """
    swapped_figures = int(f"{found.day:02d}"[::-1])
    guesses: list[date | None] = []
    if day_only:
        if 1 <= swapped_figures <= 31:
            guesses.append(_latest(None, None, swapped_figures, arrived_on))
    else:
        years = {arrived_on.year, dispatched_on.year}
        guesses += [_date(year, found.month, found.day) for year in years]
        guesses += [_date(year, found.day, found.month) for year in years | {found.year}]
        guesses.append(_date(found.year, found.month, swapped_figures))
    fitting = {guess for guess in guesses if guess is not None and dispatched_on <= guess <= arrived_on}
    return fitting.pop() if len(fitting) == 1 else None


def day_in_words(day: date, on: date) -> StrOrPromise:
    """A day with its month and how long ago it was on ``on``: “16 May, 32 days ago”; year shown if
    another."""
    return format_lazy(_("{day}, {ago}"), day=date_in_words(day, on), ago=_ago((on - day).days))


def date_in_words(day: date, on: date) -> StrOrPromise:
    """A day with its month in words, “16 May”, and its year where that is not the year of ``on``."""
    if day.year == on.year:
        return format_lazy(_("{day} {month}"), day=day.day, month=MONTHS[day.month])
    return format_lazy(_("{day} {month} {year}"), day=day.day, month=MONTHS[day.month], year=day.year)


def _ago(days: int) -> StrOrPromise:
    if days == 0:
        return _("the same day")
    return _AHEAD(-days) if days < 0 else _AGO(days)


def _ahead_now(days: int) -> str:
    return ngettext("{days} day ahead", "{days} days ahead", days).format(days=days)


def _ago_now(days: int) -> str:
    return ngettext("{days} day ago", "{days} days ago", days).format(days=days)


_AHEAD, _AGO = lazy(_ahead_now, str), lazy(_ago_now, str)
