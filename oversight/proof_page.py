"""Puts the results of a run beside the checks they belong to, as the page shows them."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext_lazy as _

from oversight.checks import CHECKS, Check, Severity, check_query
from oversight.models import ProofResult, ProofRun
from oversight.net.things import THINGS
from oversight.services.proofs import check_params
from staff import clock
from staff.models import User
from staff.roles import Pool
from staff.routes import route_table

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

PERSON_PAGE = "screening:person"
Address = Callable[[int | None], str]


@dataclass(frozen=True, slots=True)
class Offender:
    """One thing that does not hold, without a name."""

    thing: "StrOrPromise"
    id: int
    person_id: int | None
    since: date | None
    owner: "StrOrPromise"
    note: "StrOrPromise"
    url: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One check with what the run found."""

    check: Check
    result: ProofResult | None
    offenders: Sequence[Offender]
    days: Mapping[str, Any]

    @property
    def holds(self) -> bool:
        """Whether it was checked and nothing violates it."""
        return self.result is not None and not self.result.violating

    @property
    def tone(self) -> str:
        """The tone of its state."""
        if self.result is None:
            return "quiet"
        if self.holds:
            return "ok"
        return "stop" if self.check.severity is Severity.P1 else "warn"

    @property
    def word(self) -> "StrOrPromise":
        """Its state in a word or two."""
        if self.result is None:
            return _("not yet checked")
        return _("holds") if self.holds else _("does not hold")

    @property
    def more(self) -> int:
        """Offenders that were counted but are not listed."""
        return max((self.result.violating if self.result else 0) - len(self.offenders), 0)

    @property
    def sql(self) -> str:
        """The query as it ran, with the days of its run in place."""
        return runnable(check_query(self.check), {**self.days, **self.check.params})


NAMED = re.compile(r"%\((\w+)\)s|%%")


def runnable(statement: str, values: Mapping[str, Any]) -> str:
    """A statement with its values in place, so that somebody who doubts it can run it as it stands."""
    return NAMED.sub(lambda found: _literal(values[found[1]]) if found[1] else "%", statement)


def _literal(value: Any) -> str:
    if isinstance(value, list):
        return f"ARRAY[{', '.join(map(_literal, value))}]"
    return str(value) if isinstance(value, int) else "'" + str(value).replace("'", "''") + "'"


def person_address(user: User) -> Address:
    """A function giving the address of a person's page, or nothing when this user may not open one."""
    door = route_table().get(PERSON_PAGE)
    allowed = door is not None and bool(user.roles & door.roles)

    def address(person_id: int | None) -> str:
        if not allowed or person_id is None:
            return ""
        try:
            return reverse(PERSON_PAGE, args=[person_id])
        except NoReverseMatch:
            return ""

    return address


def findings_of(run: ProofRun, *, address: Address) -> list[Finding]:
    """Every check with its result in this run; what does not hold comes first, the gravest first."""
    results = {result.check_name: result for result in run.results.all()}
    days = check_params(clock.local_day(run.started_at))
    found = [_finding(check, results.get(name), address, days) for name, check in CHECKS.items()]
    order = {"stop": 0, "warn": 1, "quiet": 2, "ok": 3}
    return sorted(found, key=lambda finding: order[finding.tone])


def _finding(check: Check, result: ProofResult | None, address: Address, days: Mapping[str, Any]) -> Finding:
    rows: list[dict[str, Any]] = result.offenders if result else []
    return Finding(check, result, [_offender(check, row, address) for row in rows], days)


def _offender(check: Check, row: dict[str, Any], address: Address) -> Offender:
    owner = row["owner"]
    return Offender(
        thing=THINGS.get(row["thing"], row["thing"]),
        id=row["id"],
        person_id=row["person_id"],
        since=date.fromisoformat(row["since"]) if row["since"] else None,
        owner=Pool(owner).label if owner in Pool.values else owner or _("nobody"),
        note=check.notes.get(row["note"], row["note"].replace("_", " ")),
        url=address(row["person_id"]),
    )
