"""What Today's mail shows, lane by lane; reads only."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Case, Count, Max, Min, Prefetch, Q, QuerySet, When
from django.utils.translation import gettext as _

from outreach.catalogue import KINDS
from outreach.kinds import MESSAGE, Kind
from outreach.letters.tokens import token_read
from outreach.models import Letter, LetterMove, PrintedLetter, PrintRun
from outreach.querysets import unopened_post
from outreach.services.held import words_of
from outreach.services.policy import outreach_policy_on, post_calendar
from outreach.services.print_runs import pulls_of
from outreach.services.stopping import stops_found
from outreach.services.undelivered import is_about_a_high_result
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
    waited: int = 0
    """Doctors' copies that waited for the first call and became ready today."""


@dataclass(frozen=True)
class WaitingRow:
    """Letters of one kind that are owed, and what they wait for."""

    kind: Kind
    count: int
    first: date
    last: date
    waits_for: str


@dataclass(frozen=True)
class PaperRow:
    """One paper in the hand: what it is, and what to do with it."""

    letter: Letter
    kind: Kind
    token: str
    run: PrintRun
    verdict: str
    why: str


@dataclass(frozen=True)
class BackRow:
    """A letter that came back."""

    letter: Letter
    kind: Kind
    urgent: bool
    overdue: bool

    @property
    def with_whom(self) -> str:
        """Whose task it is."""
        return str(self.letter.owner or Pool(self.letter.pool).label)


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
    """Frozen letters on paper by kind, in the order of printing.

    The doctor's copy of a result at or above waited for the first call (R11): it is late only from the day after it
    became ready, whatever its due day says.
    """
    waited = Q(kind="doctor_copy", result__side="at_or_above", state_since__gte=clock.moment(today))
    found = (
        Letter.objects.filter(state="frozen", channel="post")
        .values("kind")
        .annotate(
            count=Count("pk"), oldest=Min("due_on"), late=Count("pk", filter=Q(due_on__lt=today) & ~waited),
            waited=Count("pk", filter=waited & Q(due_on__lt=today)),
        )
    )  # fmt: skip
    by_kind = {row["kind"]: row for row in found}
    return [
        ReadyRow(KINDS[code], row["count"], row["oldest"], bool(row["late"]), row["waited"])
        for code, row in ((code, by_kind[code]) for code in KINDS if code in by_kind)
    ]


def waiting_rows(today: date) -> list[WaitingRow]:
    """Owed letters by kind: how many, the span of their days, and what they wait for."""
    found = Letter.objects.filter(state="owed").values("kind", "result__side").annotate(
        count=Count("pk"), first=Min("due_on"), last=Max("due_on"),
        landing=Count("pk", filter=Q(not_before__gt=today)),
    )  # fmt: skip
    order = list(KINDS)
    rows = [
        WaitingRow(
            KINDS[row["kind"]], row["count"], row["first"], row["last"],
            _waits_for(row["kind"], row["result__side"] or "", row["landing"]),
        )
        for row in found
    ]  # fmt: skip
    return sorted(rows, key=lambda row: order.index(row.kind.code))


def _waits_for(kind: str, side: str, landing: int) -> str:
    """What letters of a kind that are owed wait for, in words."""
    if kind == "doctor_copy" and side == "at_or_above":
        return str(
            _(
                "for the first call to the person and the person's own letter (no longer than the promised days)"
            )
        )
    if KINDS[kind].needs_kit:
        return str(_("for their kit"))
    if landing:
        return str(_("for a day on which they land well"))
    if KINDS[kind].channel == MESSAGE:
        return str(_("for the next sweep, which sends them"))
    return str(_("for the next sweep, which fixes their words"))


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


def paper_row(letter: Letter, token: str) -> PaperRow:
    """What to do with a paper: `seal`, `pull`, `back` (it came back), `known` (taken up before), `gone` (pulled, destroy it)."""
    place = token_read(token)
    printed = PrintedLetter.objects.select_related("print_run").get(
        letter=letter, print_run_id=place[0] if place else 0, position=place[1] if place else 0
    )
    stop = stops_found([letter.pk]).get(letter.pk) if letter.state == "printed" else None
    if printed.pulled:
        verdict, why = "gone", words_of(printed.pulled)
    elif letter.state == "printed":
        verdict, why = ("pull", words_of(stop.code.value)) if stop else ("seal", "")
    elif letter.state == "handed_over":
        verdict, why = "back", ""
    else:
        verdict, why = "known", ""
    return PaperRow(letter, KINDS[letter.kind], token, printed.print_run, verdict, why)


def undelivered_rows(today: date) -> list[BackRow]:
    """Letters and messages that came back and are not settled, the most overdue first."""
    found = Letter.objects.filter(state="undelivered").select_related("person", "owner", "result", "referral")
    return [
        BackRow(letter, KINDS[letter.kind], is_about_a_high_result(letter), (letter.due_on or today) < today)
        for letter in found.order_by("due_on", "pk")[:HELD_SHOWN]
    ]


def undelivered_counts(today: date) -> dict[str, int]:
    """How many came back and wait, and how many of those are due."""
    back = Letter.objects.filter(state="undelivered")
    return {"all": back.count(), "due": back.filter(due_on__lte=today).count()}


def pieces(today: date) -> dict[str, int]:
    """Letters in each lane, by the piece."""
    found = dict(
        Letter.objects.filter(state__in=["frozen", "printed", "sending"])
        .values_list("state")
        .annotate(n=Count("pk"))
    )
    left = LetterMove.objects.filter(
        event__in=["hand_over", "sent"], occurred_at__gte=clock.moment(today)
    ).count()
    return {"frozen": found.get("frozen", 0), "printed": found.get("printed", 0), "left": left}


def letters_of(person: Person) -> list[Letter]:
    """A person's letters, newest first, with those of records merged into this one."""
    mine = Q(person=person) | Q(person__merged_into=person)
    return list(Letter.objects.filter(mine).prefetch_related("moves", "printed").order_by("-pk"))
