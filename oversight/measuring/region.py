"""The reference data that every database for measuring has."""

from datetime import timedelta

from oversight.measuring.bench import days_ago
from oversight.rehearsal.setting import region_lay_down
from staff import clock

AGE_DAYS = 60
"""How long ago the databases for measuring were filled, so that kits can have been on their way."""


def lay_down() -> None:
    """The demo region's sites, staff, protocol, kit models and controls."""
    region_lay_down(first_day=clock.today() - timedelta(days=AGE_DAYS))


def first_kit_number(n: int) -> int:
    """Where the n-th box of kits begins, apart from any other."""
    return 1 + n * 1_000_000


__all__ = ["AGE_DAYS", "days_ago", "first_kit_number", "lay_down"]
