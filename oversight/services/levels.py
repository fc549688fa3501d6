"""Standard levels of an indicator: as declared, or as the programme set them since; each with its source."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from oversight.indicators import Indicator, indicators
from oversight.models import LevelSet
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


@dataclass(frozen=True, slots=True)
class LevelShown:
    """One level as pages show it; `confirmed` says whether somebody read it in the document it is from."""

    source: "StrOrPromise"
    acceptable: str
    desirable: str
    confirmed: bool

    @property
    def same(self) -> bool:
        """Whether there is one level only."""
        return self.acceptable == self.desirable or not self.desirable


def levels_of(wanted: Sequence[Indicator]) -> Mapping[str, Sequence[LevelShown]]:
    """The levels that stand for each indicator: what was set last for a source replaces what is declared for it."""
    found: dict[str, dict[str, LevelShown]] = {
        one.key: {
            str(level.source): LevelShown(level.source, level.acceptable, level.desirable, level.seen)
            for level in one.levels
        }
        for one in wanted
    }
    for row in LevelSet.objects.filter(indicator__in=list(found)).order_by("pk"):
        stand = found[row.indicator]
        stand.pop(row.source, None)
        if not row.withdrawn:
            stand[row.source] = LevelShown(
                row.source, _number(row.acceptable), _number(row.desirable), row.confirmed
            )
    return {key: list(stand.values()) for key, stand in found.items()}


def _number(value: Decimal | None) -> str:
    return "" if value is None else f"{value.normalize():f}"


def level_set(
    *, by: User, indicator: str, source: str, acceptable: str = "", desirable: str = "", confirmed: bool = False,
    withdrawn: bool = False,
) -> LevelSet:  # fmt: skip
    """Set, change or withdraw the level of an indicator from a source; earlier ones stay on record."""
    if indicator not in indicators():
        raise RoundbookError("no_such_indicator", _("There is no indicator of that name."))
    if not source.strip():
        raise RoundbookError("level_without_source", _("Say where the level comes from."))
    low, high = _read(acceptable), _read(desirable)
    if low is None and high is None and not withdrawn:
        raise RoundbookError("level_empty", _("Type an acceptable or a desirable level, or withdraw it."))
    with acting(by, reason="level") as frame:
        return LevelSet.objects.create(
            indicator=indicator, source=source.strip(), acceptable=low, desirable=high, confirmed=confirmed,
            withdrawn=withdrawn, set_at=frame.now, set_by=by,
        )  # fmt: skip


def _read(text: str) -> Decimal | None:
    if not text.strip():
        return None
    try:
        value = Decimal(text.strip().replace(",", "."))
    except InvalidOperation as error:
        raise RoundbookError("level_no_number", _("A level is a number, such as 65 or 1.5.")) from error
    if not 0 <= value <= 99_999:
        raise RoundbookError("level_out_of_range", _("A level lies between 0 and 99,999."))
    return value
