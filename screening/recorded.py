"""When and by whom wishes and corrections were recorded, from the histories that the database keeps of each change."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.apps import apps

from screening.models import CORRECTABLE, Exclusion, FieldCorrection, Person, Stop
from staff import clock
from staff.models import User


@dataclass(frozen=True, slots=True)
class Change:
    """A row as somebody wrote it, and as it stood before (None: it is new); `when` is a day where no more is known."""

    row: Any
    before: Any | None
    at: datetime
    when: date | datetime
    who: str = ""


@dataclass(frozen=True, slots=True)
class Corrected:
    """A correction with what the fact was before; `when` is a day where no more is known."""

    correction: FieldCorrection
    old: str
    at: datetime
    when: date | datetime


@dataclass(frozen=True, slots=True)
class _FactChange:
    """One fact of a person that read otherwise after a change than before."""

    person_id: int
    field: str
    old: str
    new: str
    at: datetime
    actor: int | None


def changes_of(model: type[Stop] | type[Exclusion], members: Sequence[int]) -> list[Change]:
    """Every change of these people's stops or exclusions, in the order in which they were recorded."""
    ours = model.objects.filter(person__in=members)
    rows = list(_history(model.__name__).filter(pgh_obj__in=ours.values("pk")).order_by("pgh_id"))
    names = _names(row.pgh_context for row in rows)
    latest: dict[int, Any] = {}
    found = []
    for row in rows:
        who = names.get(_actor(row.pgh_context) or 0, "")
        before = latest.get(row.pgh_obj_id)
        found.append(Change(row, before, row.pgh_created_at, row.pgh_created_at, who))
        latest[row.pgh_obj_id] = row
    untold = ours.exclude(pk__in=latest).order_by("pk")
    return [Change(row, None, clock.moment(row.since), row.since) for row in untold] + found


def corrections_of(members: Sequence[int]) -> list[Corrected]:
    """Corrections by hand in the order in which they were made, each with what the fact was before."""
    changes = _fact_changes(members)
    told: list[Corrected] = []
    before: dict[tuple[int, str], str] = {}
    made = FieldCorrection.objects.filter(person__in=members).select_related("made_by").order_by("pk")
    for one in made:
        change = next((c for c in changes if _fits(c, one)), None)
        if change is None:
            old = before.get((one.person_id, one.field), one.feed_value)
            told.append(Corrected(one, old, clock.moment(one.since), one.since))
        else:
            changes.remove(change)
            told.append(Corrected(one, change.old, change.at, change.at))
        before[one.person_id, one.field] = one.value
    return told


def _fits(change: _FactChange, one: FieldCorrection) -> bool:
    return (
        (change.person_id, change.field, change.new) == (one.person_id, one.field, one.value)
        and clock.local_day(change.at) == one.since
        and change.actor == one.made_by_id
    )


def _fact_changes(members: Sequence[int]) -> list[_FactChange]:
    """What changed of these people, in order: the history keeps a row as it was, the next one or today's what it became."""
    columns = (*CORRECTABLE, "deceased_on")
    later: dict[int, Any] = {person.pk: person for person in Person.objects.filter(pk__in=members)}
    found = []
    for row in _history("Person").filter(pgh_obj__in=members).order_by("-pgh_id"):
        after = later[row.pgh_obj_id]
        pairs = ((c, _text(getattr(row, c)), _text(getattr(after, c))) for c in columns)
        found += [
            _FactChange(row.pgh_obj_id, c, old, new, row.pgh_created_at, _actor(row.pgh_context))
            for c, old, new in pairs
            if old != new
        ]
        later[row.pgh_obj_id] = row
    return found[::-1]


def _history(name: str) -> Any:
    return apps.get_model("screening", f"{name}History").objects


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _actor(context: dict[str, Any] | None) -> int | None:
    return None if context is None else context.get("actor")


def _names(contexts: Iterable[dict[str, Any] | None]) -> dict[int, str]:
    ids = {actor for context in contexts if (actor := _actor(context)) is not None}
    return dict(User.objects.filter(pk__in=ids).values_list("pk", "full_name"))
