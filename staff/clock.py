"""The only place that reads the time; everything else is told what time it is."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.conf import settings

_set: ContextVar[datetime | None] = ContextVar("roundbook_clock", default=None)


def now() -> datetime:
    """The moment it is, in UTC: set by `at`, or the fixed demo day, or the machine's clock."""
    chosen = _set.get()
    if chosen is not None:
        return chosen
    real = datetime.now(UTC)
    if settings.FIXED_TODAY:
        local = real.astimezone(zone())
        day = date.fromisoformat(settings.FIXED_TODAY)
        return local.replace(year=day.year, month=day.month, day=day.day).astimezone(UTC)
    return real


def zone(name: str = "") -> ZoneInfo:
    """The time zone of a site, or of the programme when none is named."""
    return ZoneInfo(name or settings.TIME_ZONE)


def today(zone_name: str = "") -> date:
    """Today's date where the site is."""
    return now().astimezone(zone(zone_name)).date()


def local_day(moment: datetime, zone_name: str = "") -> date:
    """The date people at the site would write for this moment."""
    return moment.astimezone(zone(zone_name)).date()


def moment(day: date, hour: int = 0, minute: int = 0, zone_name: str = "") -> datetime:
    """The UTC moment of a local date and time."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone(zone_name)).astimezone(UTC)


def days_between(earlier: date, later: date) -> int:
    """Calendar days from one date to another."""
    return (later - earlier) // timedelta(days=1)


@contextmanager
def at(chosen: datetime) -> Iterator[datetime]:
    """Make `now()` answer this moment inside the block (rehearsals, tests)."""
    token = _set.set(chosen)
    try:
        yield chosen
    finally:
        _set.reset(token)
