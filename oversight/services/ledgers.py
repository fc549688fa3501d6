"""The ledgers of one night beside those of the night before: yesterday, what came, what went, today, and the difference."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from oversight.models import LedgerCount, ProofRun
from screening.models import Lot
from staff.ledger.registry import walls

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

NAMES: "dict[str, StrOrPromise]" = {
    "person": _("people"), "round": _("rounds"), "kit": _("kits"), "kit lot": _("kits by lot"), "return": _("returns"),
    "sample": _("samples"), "referral": _("referrals"), "letter": _("letters"),
}  # fmt: skip
PLACES: "dict[str, StrOrPromise]" = {
    "living": _("living here"), "died": _("died"), "left": _("left the area"), "merged": _("merged into another record"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One part of a ledger. `was` is None on the first night; then everything came since the beginning."""

    ledger: str
    part: "StrOrPromise"
    was: int | None
    came: int
    went: int
    now: int

    @property
    def difference(self) -> int:
        """Today less what yesterday, what came and what went make; 0 when the ledger balances."""
        return self.now - ((self.was or 0) + self.came - self.went)


@dataclass(frozen=True, slots=True)
class Balance:
    """One ledger with its parts and their sum."""

    name: "StrOrPromise"
    lines: list[Line]
    total: Line

    @property
    def balances(self) -> bool:
        """Whether every part and the sum add up."""
        return all(not line.difference for line in (*self.lines, self.total))


def run_before(run: ProofRun) -> ProofRun | None:
    """The full proof before this one that counted the ledgers, of an earlier day where there is one."""
    earlier = ProofRun.objects.filter(
        kind=ProofRun.Kind.FULL, pk__lt=run.pk, ledgers__isnull=False
    ).distinct()
    return earlier.order_by("-pk").first()


def balances(run: ProofRun, before: ProofRun | None = None) -> list[Balance]:
    """Every ledger of a run against an earlier one (None: against nothing)."""
    old = {(c.ledger, c.part): c for c in LedgerCount.objects.filter(run=before)} if before else {}
    new = {(c.ledger, c.part): c for c in LedgerCount.objects.filter(run=run)}
    lots = {str(pk): code for pk, code in Lot.objects.values_list("pk", "code")}
    found: dict[str, list[Line]] = {}
    for key in sorted({*old, *new}):
        now, was = new.get(key), old.get(key)
        came = (now.came if now else 0) - (was.came if was else 0)
        went = (now.went if now else 0) - (was.went if was else 0)
        found.setdefault(key[0], []).append(
            Line(key[0], _part(key[0], key[1], lots), was.counted if was else None if not before else 0, came, went,
                 now.counted if now else 0)
        )  # fmt: skip
    return [Balance(NAMES[name], found[name], _total(name, found[name])) for name in NAMES if name in found]


def _total(name: str, lines: list[Line]) -> Line:
    """The sum of a ledger's parts: moves from one part to another cancel out."""
    came, went = sum(line.came for line in lines), sum(line.went for line in lines)
    was = None if all(line.was is None for line in lines) else sum(line.was or 0 for line in lines)
    return Line(
        name, _("all"), was, max(came - went, 0), max(went - came, 0), sum(line.now for line in lines)
    )


def _part(ledger: str, part: str, lots: dict[str, str]) -> "StrOrPromise":
    if ledger == "person":
        return PLACES.get(part, part)
    lot, _colon, state = part.rpartition(":")
    machine = walls.ledgers["kit" if ledger == "kit lot" else ledger].machine
    words = str(machine.labels.get(state, state or _("unborn")))
    return f"{lots.get(lot, lot)}: {words}" if ledger == "kit lot" else words
