"""What stands against a proposed protocol: implausible values, overlaps, gaps, changes into the past; pure.

Ranges: the project's configuration list (age band 40 to 85, interval 12 to 60 months, closing day 84 to 180, and so on);
ruling R12 (a kit lives longer than its round). A change never reaches back: it begins tomorrow at the earliest, and
within five years.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from screening.months import add_months

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

Value = int | Decimal | bool | str | None

RANGES: dict[str, tuple[int | Decimal, int | Decimal]] = {
    "age_from": (40, 84), "age_to": (41, 85), "interval_months": (12, 60), "grace_days": (0, 365), "closing_days": (84, 180),
    "closing_days_after_replacement": (30, 120), "max_replacements": (0, 5), "kit_minimum_life_days": (84, 400),
    "hold_working_days": (1, 10), "scans_waiting": (1, 50), "feed_change_percent": (Decimal("0.01"), Decimal(100)),
    "feed_empty_percent": (Decimal("0.01"), Decimal(100)), "ramp_days": (0, 1830), "feed_alarm_days": (1, 60),
    "feed_oldest_days": (1, 90), "pack_check_every": (10, 1000),
}  # fmt: skip
"""Field → the smallest and the largest plausible value."""

SHORTEST_RAMP_DAYS = 28
YEARS_AHEAD = 5


@dataclass(frozen=True, slots=True)
class Problem:
    """One objection: its code, the field it is about, and what to do."""

    code: str
    field: str
    sentence: "StrOrPromise"


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another approved protocol."""

    name: str
    valid_from: date
    valid_to: date | None


def protocol_problems(
    values: Mapping[str, Value], *, valid_from: date, today: date, others: Sequence[Neighbour],
    was_from: int | None = None, was_to: int | None = None,
) -> list[Problem]:  # fmt: skip
    """Everything that stands against a proposal; empty when nothing does.

    `values` are the fields of the policy; `was_from` and `was_to` the age band in force when it begins.
    """
    return [
        *_days(valid_from, today, others),
        *_ranges(values),
        *_relations(values),
        *_ramp(values, was_from, was_to),
    ]


def _days(valid_from: date, today: date, others: Sequence[Neighbour]) -> Iterator[Problem]:
    if valid_from <= today:
        yield Problem(
            "begins_in_the_past",
            "valid_from",
            _("A change never reaches back. Let it begin tomorrow or later."),
        )
    if valid_from > add_months(today, 12 * YEARS_AHEAD):
        yield Problem(
            "begins_far_ahead",
            "valid_from",
            _("Let it begin within the next five years. Look for a slip in the year."),
        )
    for other in others:
        if other.valid_from == valid_from:
            words = format_lazy(_("“{name}” begins on that very day. Choose another day."), name=other.name)
            yield Problem("overlap", "valid_from", words)
    before = [o for o in others if o.valid_from < valid_from]
    if not before:
        yield Problem(
            "gap", "valid_from", _("No approved protocol covers the days before. Let it begin later.")
        )
        return
    last = max(before, key=lambda o: o.valid_from)
    after = [o for o in others if o.valid_from > valid_from]
    if last.valid_to is not None and last.valid_to < valid_from:
        words = format_lazy(
            _("“{name}” ends on {day}, so the days from then on would have no protocol. Let this one begin that day."),
            name=last.name, day=last.valid_to,
        )  # fmt: skip
        yield Problem("gap", "valid_from", words)
    if after and after[0].valid_from is not None and last.valid_to is None:
        words = format_lazy(_("“{name}” overlaps with a later protocol."), name=last.name)
        yield Problem("overlap", "valid_from", words)


def _ranges(values: Mapping[str, Value]) -> Iterator[Problem]:
    for field, (least, most) in RANGES.items():
        value = values.get(field)
        if isinstance(value, (int, Decimal)) and not least <= value <= most:
            words = format_lazy(
                _("{value} is not plausible here: {least} to {most} is. Look for a slip."),
                value=value, least=least, most=most,
            )  # fmt: skip
            yield Problem("implausible", field, words)


def _relations(values: Mapping[str, Value]) -> Iterator[Problem]:
    def less(one: str, other: str) -> bool:
        a, b = values.get(one), values.get(other)
        return isinstance(a, (int, Decimal)) and isinstance(b, (int, Decimal)) and a < b

    if not less("age_from", "age_to"):
        yield Problem("band_empty", "age_to", _("Give an oldest age above the youngest."))
    if less("kit_minimum_life_days", "closing_days"):
        yield Problem(
            "kit_life_short", "kit_minimum_life_days",
            _("A kit must last until its round closes, so at least as many days as the closing day (R12)."),
        )  # fmt: skip
    if less("feed_oldest_days", "feed_alarm_days"):
        yield Problem(
            "alarm_late",
            "feed_alarm_days",
            _("Let the alarm come no later than the day on which batches stop."),
        )


def _ramp(values: Mapping[str, Value], was_from: int | None, was_to: int | None) -> Iterator[Problem]:
    if was_from is None or was_to is None:
        return
    youngest, oldest, days = values.get("age_from"), values.get("age_to"), values.get("ramp_days")
    if not (isinstance(youngest, int) and isinstance(oldest, int) and isinstance(days, int)):
        return
    years = max(was_from - youngest, oldest - was_to)
    if years > 0 and days < SHORTEST_RAMP_DAYS:
        words = _("The age band grows, so its new people join over some time: at least 28 days.")
        yield Problem("ramp_missing", "ramp_days", words)
    if years > 0 and days > 365 * years:
        yield Problem(
            "ramp_long",
            "ramp_days",
            _("With so long a ramp people would wait longer than without the change."),
        )
