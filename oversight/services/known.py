"""What the registry knew on a day: a person's record and history, a list of work, and an indicator; with what changed since.

Everything is read from the ledgers (by the moment a move was recorded) and the history of rows (which hold what stood before a
change), so it is what a reader would have seen then, also where it was corrected later.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from django.db import connection
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from outreach.catalogue import KINDS
from outreach.models import Letter
from oversight.figures import Figure, figure_of
from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.models import Delta, Fold
from oversight.net.things import THINGS
from oversight.rollup.measures import ANCHORS
from oversight.services.figures import figures
from oversight.services.given import Difference, differences_since
from screening.models import Person
from screening.querysets import members_of
from staff import clock
from staff.ledger.registry import Ledger, walls
from staff.roles import Pool

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

FACTS = (
    "family_name", "given_names", "birth_date", "sex", "address_1", "address_2", "locality", "postcode", "phone", "email",
    "language", "deceased_on", "left_area_on", "hidden_address", "merged_into_id",
)  # fmt: skip
OF_PERSON = {
    "round": "SELECT id FROM screening_round WHERE person_id = ANY(%(people)s)",
    "kit": "SELECT k.id FROM screening_kit k JOIN screening_round r ON r.id = k.round_id WHERE r.person_id = ANY(%(people)s)",
    "return": "SELECT b.id FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id"
    " JOIN screening_round r ON r.id = k.round_id WHERE r.person_id = ANY(%(people)s)",
    "sample": "SELECT id FROM results_sample WHERE person_id = ANY(%(people)s)",
    "referral": "SELECT id FROM results_referral WHERE person_id = ANY(%(people)s)",
    "letter": "SELECT id FROM outreach_letter WHERE person_id = ANY(%(people)s)",
}
LISTS: "dict[str, tuple[str, StrOrPromise]]" = {
    "referrals": ("referral", _("open referrals")),
    "set-asides": ("return", _("kits set aside")),
    "samples": ("sample", _("samples without a result")),
    "rounds": ("round", _("open rounds")),
    "letters": ("letter", _("letters that had not left")),
}
SHOWN = 200


def end_of(day: date) -> datetime:
    """The last moment of a local day: what was recorded by then was known on it."""
    return clock.moment(day + timedelta(days=1)) - timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact of a person as it stood then, and now where it differs."""

    name: "StrOrPromise"
    then: str
    now: str

    @property
    def changed(self) -> bool:
        """Whether it is another today."""
        return self.then != self.now


@dataclass(frozen=True, slots=True)
class Step:
    """One move of a thing."""

    at: datetime
    recorded: datetime
    event: str
    state: "StrOrPromise"
    due_on: date | None
    owner: "StrOrPromise"
    who: str
    note: str


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing with the moves known then, and those recorded since."""

    ledger: "StrOrPromise"
    id: int
    then: Sequence[Step]
    since: Sequence[Step]

    @property
    def stood(self) -> Step | None:
        """How it stood then; None when it was not known yet."""
        return self.then[-1] if self.then else None


@dataclass(frozen=True, slots=True)
class KnownPerson:
    """A person as known on a day."""

    facts: Sequence[Fact]
    things: Sequence[Thing] = field(default_factory=list)

    @property
    def changed(self) -> int:
        """How many facts and things are otherwise today."""
        return sum(fact.changed for fact in self.facts) + sum(bool(thing.since) for thing in self.things)


def known_person(person: Person, day: date) -> KnownPerson:
    """The record and everything of a person as the registry knew them at the end of a day."""
    at = end_of(day)
    return KnownPerson(_facts(person, at), _things(members_of(person), at))


def _facts(person: Person, at: datetime) -> list[Fact]:
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT {', '.join(FACTS)} FROM screening_personhistory WHERE pgh_obj_id = %s AND pgh_created_at > %s"
            " ORDER BY pgh_created_at, pgh_id LIMIT 1",
            [person.pk, at],
        )
        then = cursor.fetchone()
    now = [getattr(person, name) for name in FACTS]
    then = list(then) if then else now
    return [
        Fact(_name(name), _text(was), _text(today)) for name, was, today in zip(FACTS, then, now, strict=True)
    ]


def _name(column: str) -> "StrOrPromise":
    if column == "merged_into_id":
        return _("merged into record")
    return Person._meta.get_field(column).verbose_name  # type: ignore[union-attr]


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return str(_("yes") if value else _("no"))
    if isinstance(value, date):
        return date_format(value, "j F Y")
    return "" if value is None or value == "" else str(value)


_MOVES = """
SELECT m.subject_id, m.seq, m.event, m.to_state, m.due_on, coalesce(o.full_name, m.pool), a.full_name, m.note, m.occurred_at,
       m.recorded_at
FROM {moves} m LEFT JOIN staff_user o ON o.id = m.owner_id LEFT JOIN staff_user a ON a.id = m.actor_id
WHERE m.subject_id IN ({which}) ORDER BY m.subject_id, m.seq
"""


def _things(people: Sequence[int], at: datetime) -> list[Thing]:
    found: list[Thing] = []
    with connection.cursor() as cursor:
        for ledger in walls:
            name = ledger.machine.name
            cursor.execute(
                _MOVES.format(moves=ledger.move_table, which=OF_PERSON[name]), {"people": list(people)}
            )
            steps: dict[int, list[Step]] = {}
            for subject, _seq, event, state, due, owner, who, note, occurred, recorded in cursor.fetchall():
                words = ledger.machine.labels.get(state, state)
                step = Step(
                    occurred,
                    recorded,
                    event.replace("_", " "),
                    str(words),
                    due,
                    _owner(owner),
                    who or "",
                    note,
                )
                steps.setdefault(subject, []).append(step)
            kinds = _kinds(list(steps)) if name == "letter" else {}
            found += [
                Thing(
                    kinds.get(pk, THINGS[name]),
                    pk,
                    [s for s in all_ if s.recorded <= at],
                    [s for s in all_ if s.recorded > at],
                )
                for pk, all_ in steps.items()
            ]
    return found


def _kinds(letters: list[int]) -> "dict[int, StrOrPromise]":
    """What each of these letters is."""
    rows = Letter.objects.filter(pk__in=letters).values_list("pk", "kind")
    return {pk: KINDS[kind].name if kind in KINDS else kind for pk, kind in rows}


def _owner(text: str) -> "StrOrPromise":
    return Pool(text).label if text in Pool.values else text


@dataclass(frozen=True, slots=True)
class Known:
    """One thing of a list as it stood then, and its state now."""

    id: int
    state: "StrOrPromise"
    due_on: date | None
    owner: "StrOrPromise"
    since: date
    now: "StrOrPromise"
    changed: bool


_LIST = """
WITH maybe AS (
    SELECT s.id FROM {subject} s WHERE s.state = ANY(%(states)s)
    UNION SELECT m.subject_id FROM {moves} m WHERE m.recorded_at > %(at)s
), stood AS (
    SELECT DISTINCT ON (m.subject_id) m.subject_id, m.to_state, m.due_on, m.owner_id, m.pool, m.occurred_at, m.seq
    FROM maybe b JOIN {moves} m ON m.subject_id = b.id WHERE m.recorded_at <= %(at)s ORDER BY m.subject_id, m.seq DESC)
SELECT t.subject_id, t.to_state, t.due_on, coalesce(u.full_name, t.pool), (t.occurred_at AT TIME ZONE %(zone)s)::date,
       s.state, s.last_seq > t.seq, count(*) OVER ()
FROM stood t JOIN {subject} s ON s.id = t.subject_id LEFT JOIN staff_user u ON u.id = t.owner_id
WHERE t.to_state = ANY(%(states)s) ORDER BY t.due_on NULLS LAST, t.subject_id LIMIT %(limit)s
"""
"""What is on the list now, or has moved since, may have been on it then; of everything else the state is still the same."""
_NOT_SENT = ("owed", "held", "frozen", "printed", "sending", "undelivered")


def known_list(name: str, day: date) -> tuple[int, list[Known]]:
    """How many things stood on a list of work at the end of a day, and the first of them, most overdue first."""
    ledger = walls.ledgers[LISTS[name][0]]
    params: dict[str, Any] = {
        "at": end_of(day),
        "zone": clock.zone().key,
        "states": _open(ledger, name),
        "limit": SHOWN,
    }
    labels = ledger.machine.labels
    with connection.cursor() as cursor:
        cursor.execute(_LIST.format(moves=ledger.move_table, subject=ledger.subject_table), params)
        rows = cursor.fetchall()
    known = [
        Known(
            pk, str(labels.get(state, state)), due, _owner(owner), since, str(labels.get(now, now)), changed
        )
        for pk, state, due, owner, since, now, changed, _n in rows
    ]
    return (rows[0][-1] if rows else 0), known


def _open(ledger: Ledger, name: str) -> list[str]:
    if name == "set-asides":
        return ["set_aside"]
    if name == "letters":
        return list(_NOT_SENT)
    return [state for state, kind in ledger.machine.states.items() if kind.value == "open"]


@dataclass(frozen=True, slots=True)
class KnownFigure:
    """An indicator as it was known, as it is, and what changed it since, cause by cause."""

    name: "StrOrPromise"
    then: Figure
    now: Figure
    counted_at: datetime
    differences: Sequence[Difference]


def known_figure(key: str, asked: Asked, day: date) -> KnownFigure | None:
    """An indicator's total as known at the end of a day; None where nothing was counted by then, or is no longer kept."""
    at = end_of(day)
    fold = Fold.objects.filter(made_at__lte=at).order_by("-pk").first()
    one = indicators()[key]
    if fold is None or one.anchor not in ANCHORS or _pruned(fold):
        return None
    now = figures(asked, [key]).total.figures[key]
    found = differences_since(one, asked, fold.pk)
    top, bottom = sum(row.numerator for row in found), sum(row.denominator for row in found)
    then = figure_of(now.numerator - top, now.denominator - bottom, basis=one.basis, unit=one.unit)
    return KnownFigure(one.name, then, now, fold.made_at, found)


def _pruned(fold: Fold) -> bool:
    """Whether changes since a fold are no longer all kept: everything was counted anew, or old changes were forgotten."""
    later = Fold.objects.filter(pk__gt=fold.pk)
    if later.exclude(kind=Fold.Kind.FOLD).exists():
        return True
    changed = later.filter(changed__gt=0).order_by("pk").first()
    return changed is not None and not Delta.objects.filter(fold_id=changed.pk).exists()
