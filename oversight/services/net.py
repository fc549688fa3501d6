"""The lists as the page shows them: now, a month ago, oldest, without an owner; and settling an entry with evidence."""

from dataclasses import dataclass
from datetime import date, timedelta

from django.utils.translation import gettext as _

from oversight.models import NetCount, ProofRun, Settlement
from oversight.net import LISTS, NetList
from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

MONTH = 30
SERIES = 14
LATEST = 45
"""Days back within which a count is still one of a month ago."""
LONGEST = 366
MAY_SETTLE = (Role.COORDINATOR, Role.CLINICIAN)


@dataclass(frozen=True, slots=True)
class NetLine:
    """One list with how it stood in a run and a month before."""

    one: NetList
    now: NetCount | None
    month_ago: int | None

    @property
    def trend(self) -> int | None:
        """How many more than a month ago."""
        return None if self.month_ago is None or self.now is None else self.now.waiting - self.month_ago

    @property
    def fewer(self) -> int:
        """How many fewer than a month ago."""
        return max(-(self.trend or 0), 0)


def run_a_month_before(run: ProofRun) -> ProofRun | None:
    """The full proof that counted the lists a month before this one; None where none was stored in those two weeks."""
    begin, end = run.started_at - timedelta(days=LATEST), run.started_at - timedelta(days=MONTH)
    stored = ProofRun.objects.filter(
        kind=ProofRun.Kind.FULL, started_at__range=(begin, end), net__isnull=False
    )
    return stored.order_by("-started_at", "-pk").first()


def net_lines(run: ProofRun, before: ProofRun | None) -> list[NetLine]:
    """Every list of a run beside a run before it, in the order of the page."""
    now = {count.name: count for count in run.net.all()}
    then = {count.name: count.waiting for count in before.net.all()} if before else {}
    return [NetLine(one, now.get(name), then.get(name)) for name, one in LISTS.items()]


def net_series(name: str, run: ProofRun) -> list[NetCount]:
    """One list as the last full proofs counted it, the newest first, one a day: each count stays as it was stored."""
    counts = (
        NetCount.objects.filter(name=name, run__kind=ProofRun.Kind.FULL, run_id__lte=run.pk)
        .select_related("run").defer("rows").order_by("-run_id")[: 4 * SERIES]
    )  # fmt: skip
    by_day: dict[date, NetCount] = {}
    for count in counts:
        by_day.setdefault(clock.local_day(count.run.started_at), count)
    return list(by_day.values())[:SERIES]


def net_settle(
    *, by: User, name: str, thing: str, thing_id: int, evidence: str, until: date, document: str = "", since: date | None = None
) -> Settlement:  # fmt: skip
    """Take an entry off a list until a day, with what was found and done; on that day it is back unless it was resolved.

    Nothing is dismissed: without evidence, or for more than a year, it is refused. Twice the same is one more row.
    """
    require_role(by, *MAY_SETTLE)
    if name not in LISTS:
        raise RoundbookError("unknown_list", _("There is no such list."))
    if len(evidence.strip()) < 10:
        raise RoundbookError(
            "evidence_missing", _("Write what was found and done, so that somebody else can follow it.")
        )
    with acting(by, reason=evidence.strip()[:200]) as frame:
        if not frame.today < until <= frame.today + timedelta(days=LONGEST):
            raise RoundbookError(
                "until_range", _("Choose a day after today and within a year, on which somebody looks again.")
            )
        return Settlement.objects.create(
            name=name, thing=thing, thing_id=thing_id, since=since, evidence=evidence.strip(), document=document.strip()[:80],
            until=until, settled_on=frame.today, settled_at=frame.now, settled_by=by,
        )  # fmt: skip
