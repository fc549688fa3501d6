"""Restore drills: what the proof finds in a restored backup, and whether its ledgers are the registry's own."""

from collections.abc import Mapping
from datetime import datetime
from itertools import islice
from typing import Any

from django.utils.translation import gettext as _

from oversight.models import LedgerCount, ProofRun, RestoreDrill, Seal
from oversight.services.proofs import look
from oversight.services.seal_verify import seals_verify
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

NAMED = 20
OF_DRILLS = "I44"
"""The check of the drills themselves. A backup holds the drill before it, so one that failed would fail all that follow."""


def restored_report() -> dict[str, Any]:
    """What this database holds, for the registry to compare: run it on a restored backup. Nothing is written."""
    seen = look()
    if seen is None:
        raise RoundbookError("busy", _("Another proof is running."))
    run = ProofRun.objects.filter(kind=ProofRun.Kind.FULL, ledgers__isnull=False).order_by("-pk").first()
    last = Seal.objects.order_by("-pk").first()
    return {
        "checks": {
            one.check.name: [one.checked, one.violating] for one in seen.found if one.check.name != OF_DRILLS
        },
        "ledgers": _sorted(seen.ledgers),
        "run": run.pk if run else None,
        "run_ledgers": _ledgers_of(run),
        "seal": last.digest if last else "",
        "broken": [str(broken) for broken in islice(seals_verify(), NAMED)],
    }


def _sorted(rows: Any) -> list[list[Any]]:
    return sorted([list(row) for row in rows])


def _ledgers_of(run: ProofRun | None) -> list[list[Any]]:
    rows = LedgerCount.objects.filter(run=run) if run else LedgerCount.objects.none()
    return _sorted(rows.values_list("ledger", "part", "counted", "came", "went"))


def drill_note(*, by: User, report: Mapping[str, Any], kind: str, taken_at: datetime) -> RestoreDrill:
    """Keep a drill: the report of a restored backup held against what the registry itself counted and sealed.

    The ledgers of the last proof that the backup holds must be the registry's for that proof, the seal must be one of ours, and
    every sealed row must verify.
    """
    if kind not in RestoreDrill.Kind.values:
        raise RoundbookError("unknown_kind", _("Say whether it was a dump or a copy of the whole server."))
    run = ProofRun.objects.filter(pk=report["run"]).first() if report.get("run") else None
    ours = {tuple(row[:2]): row for row in _ledgers_of(run)}
    theirs = {tuple(row[:2]): row for row in report["run_ledgers"]}
    differences = [
        f"{ledger} {part}: {ours.get((ledger, part))} / {theirs.get((ledger, part))}"
        for ledger, part in sorted({*ours, *theirs})
        if ours.get((ledger, part)) != theirs.get((ledger, part))
    ]
    if run is None:
        differences.append(_("The backup holds no proof of this registry."))
    if report["seal"] and not Seal.objects.filter(digest=report["seal"]).exists():
        differences.append(_("Its last seal is none of ours."))
    differences += report["broken"]
    violated = sorted(name for name, (_n, bad) in report["checks"].items() if bad)
    with acting(by, reason="restore drill") as frame:
        return RestoreDrill.objects.create(
            kind=kind, taken_at=taken_at, checks=len(report["checks"]), violated=violated, ledgers_equal=not differences,
            differences=differences[:NAMED], seal=report["seal"], noted_at=frame.now, noted_by=by,
        )  # fmt: skip
