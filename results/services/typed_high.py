"""Typed readings at or above the cutoff that wait more than a working day: the coordinator's list (ruling R14)."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from results.classify import Side
from results.models import TypedReading
from results.services.authorise_facts import side_of
from results.states import SAMPLE
from results.units import ReadingError, parse_reading
from results.yes_no import yes_no_read
from screening.models import Person
from staff import clock
from staff.ledger.machine import Kind
from staff.models import NonWorkingDay
from staff.working_days import working_days_after

OPEN = [state for state, kind in SAMPLE.states.items() if kind is Kind.OPEN]
State = TypedReading.State


@dataclass(frozen=True, slots=True)
class TypedHigh:
    """Whose typed reading waits, since when, for what, and who typed it."""

    person: Person
    typed_at: datetime
    typist: str
    state: str
    site: str

    @property
    def owes_second(self) -> bool:
        """Whether it waits for its second entry; else both are there and it waits for release."""
        return self.state == State.FIRST

    @property
    def differs(self) -> bool:
        """Whether the two entries differ, so that it is to be typed anew."""
        return self.state == State.DIFFERS


def typed_high_waiting(moment: datetime) -> list[TypedHigh]:
    """The last typed reading of each sample still in the laboratory that is at or above today's cutoff and has waited
    more than a working day at its site, longest first. The reading is not told: it is no result yet.
    """
    rows = (
        TypedReading.objects.filter(sample__state__in=OPEN, typed_at__lt=moment - timedelta(days=1))
        .select_related("sample__person", "run__analyser__site", "typed_by")
        .order_by("sample_id", "-pk")
        .distinct("sample_id")
    )
    late = [row for row in rows if moment > _limit(row) and _is_high(row)]
    late.sort(key=lambda row: row.typed_at)
    return [
        TypedHigh(
            row.sample.person, row.typed_at, row.typed_by.full_name, row.state, row.run.analyser.site.name
        )
        for row in late
    ]


def _limit(row: TypedReading) -> datetime:
    """The same hour of the next working day at the analyser's site."""
    typed = row.typed_at.astimezone(clock.zone())
    closed = _closed(row.run.analyser.site_id, typed.date())
    return datetime.combine(working_days_after(typed.date(), 1, closed), typed.timetz())


def _closed(site_id: int, day: date) -> Collection[date]:
    soon = NonWorkingDay.objects.filter(day__gt=day, day__lte=day + timedelta(days=40))
    return {one.day for one in soon if one.site_id in {None, site_id}}


def _is_high(row: TypedReading) -> bool:
    """Whether either entry would be at or above the cutoff, or cannot be told to be below it."""
    sides = [_side(row, raw) for raw in (row.raw, row.again_raw) if raw]
    return any(side not in {None, Side.BELOW} for side in sides)


def _side(row: TypedReading, raw: str) -> Side | None:
    said = yes_no_read(raw)
    if said is not None:
        return Side.AT_OR_ABOVE if said else Side.BELOW
    try:
        return side_of(row.sample_id, parse_reading(raw), row.run.unit, row.dilution)
    except ReadingError:
        return None
