"""What Today's mail shows, lane by lane; reads only."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Case, Count, Max, Min, Prefetch, Q, QuerySet, When

from outreach.catalogue import KINDS
from outreach.kinds import Kind
from outreach.models import Letter, LetterMove, PrintedLetter, PrintRun
from outreach.querysets import unopened_post
from outreach.services.held import words_of
from outreach.services.policy import outreach_policy_on, post_calendar
from outreach.services.print_runs import pulls_of
from screening.models import Person
from staff import clock
from staff.errors import RoundbookError
from staff.roles import Pool

HELD_SHOWN = 50


@dataclass(frozen=True)
class HeldRow:
    """A letter that a person must look at first."""

    letter: Letter
    kind: Kind
    why: str
    days: int
    urgent: bool

    @property
    def with_whom(self) -> str:
        """Who decides: a user by name, or a pool."""
        return str(self.letter.owner or Pool(self.letter.pool).label)


@dataclass(frozen=True)
class ReadyRow:
    """Letters of one kind that can be printed now."""

    kind: Kind
    count: int
    oldest_due: date
    overdue: bool


@dataclass(frozen=True)
class PullRow:
    """A letter that must come out of the pile."""

    printed: PrintedLetter
    why: str


@dataclass(frozen=True)
class RunRow:
    """A print run with what must be pulled out of it."""

    run: PrintRun
    kind: Kind | None
    to_pull: int
    stuck: bool


def _with_hold() -> QuerySet[Letter]:
    holds = LetterMove.objects.filter(event="hold").order_by("-seq")
    held = Letter.objects.filter(state="held").select_related("person", "owner", "result")
    return held.prefetch_related(Prefetch("moves", holds, to_attr="holds"))


def held_row(letter: Letter, today: date) -> HeldRow:
    """One held letter in words."""
    holds: list[LetterMove] = getattr(letter, "holds", [])
    kind = KINDS[letter.kind]
    side = letter.result.side if letter.result else ""
    since = clock.local_day(letter.state_since) if letter.state_since else today
    why = words_of(holds[0].reason) if holds else ""
    return HeldRow(letter, kind, why, clock.days_between(since, today), side == "at_or_above")


def held_rows(today: date) -> tuple[list[HeldRow], int]:
    """(the held letters that have waited longest, at or above first; how many there are)."""
    high_first = Case(When(result__side="at_or_above", then=0), default=1)
    rows = list(_with_hold().order_by(high_first, "due_on", "pk")[:HELD_SHOWN])
    return [held_row(letter, today) for letter in rows], Letter.objects.filter(state="held").count()


def ready_rows(today: date) -> list[ReadyRow]:
    """Frozen letters by kind, in the order of printing."""
    found = (
        Letter.objects.filter(state="frozen").values("kind").annotate(count=Count("pk"), oldest=Min("due_on"))
    )
    by_kind = {row["kind"]: row for row in found}
    return [
        ReadyRow(kind, by_kind[code]["count"], by_kind[code]["oldest"], by_kind[code]["oldest"] < today)
        for code, kind in KINDS.items()
        if code in by_kind
    ]


def waiting_rows() -> list[dict[str, Any]]:
    """Owed letters by kind: how many, and the span of their days."""
    found = Letter.objects.filter(state="owed").values("kind").annotate(
        count=Count("pk"), first=Min("due_on"), last=Max("due_on")
    )  # fmt: skip
    by_kind = {row["kind"]: row for row in found}
    return [{"kind": kind} | by_kind[code] for code, kind in KINDS.items() if code in by_kind]


def run_row(run: PrintRun, attempts: int) -> RunRow:
    """A run as its lane shows it."""
    to_pull = len(pulls_of(run)) if run.status == PrintRun.Status.READY else 0
    stuck = run.status == PrintRun.Status.COLLECTING and run.attempts >= attempts
    return RunRow(run, KINDS.get(run.kind), to_pull, stuck)


def open_runs() -> list[PrintRun]:
    """Runs that have not left the building."""
    waiting = [PrintRun.Status.COLLECTING, PrintRun.Status.READY]
    return list(PrintRun.objects.filter(status__in=waiting).select_related("made_by").order_by("made_at"))


def handed_over_on(day: date) -> list[PrintRun]:
    """Runs that went to the post on a day."""
    start = clock.moment(day)
    runs = PrintRun.objects.filter(status=PrintRun.Status.HANDED_OVER, handed_over_at__gte=start)
    return list(runs.select_related("handed_over_by").order_by("-handed_over_at"))


def pull_rows(run: PrintRun) -> list[PullRow]:
    """What must come out of a run's pile, in the order of the pile."""
    stops = pulls_of(run) if run.status != PrintRun.Status.HANDED_OVER else {}
    printed = PrintedLetter.objects.filter(print_run=run, letter__in=stops).select_related("letter__person")
    return [PullRow(row, words_of(stops[row.letter_id].code.value)) for row in printed.order_by("position")]


def sacks_in_the_way(today: date) -> list[dict[str, Any]]:
    """Unopened post that delays reminders today."""
    try:
        calendar = post_calendar(outreach_policy_on(today), around=today)
    except RoundbookError:
        return []
    return unopened_post(until=calendar.working_day_before(today))


def letters_of(person: Person) -> list[Letter]:
    """A person's letters, newest first, with those of records merged into this one."""
    mine = Q(person=person) | Q(person__merged_into=person)
    return list(Letter.objects.filter(mine).prefetch_related("moves", "printed").order_by("-pk"))
