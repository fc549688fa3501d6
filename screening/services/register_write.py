"""Writes what a register file says onto the people: who changed, who is new, whose rounds end, whose next date is to be computed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from django.db import connection

from screening.models import RegisterLoad
from screening.services import register_first as first
from screening.services import register_sql as sql
from screening.services.corrections import name_keys_renew
from screening.services.due import NewAnswer, NewFacts, answers_of_new, policy_facts
from screening.services.planner import few_among_many
from screening.services.policies import policy_on
from screening.services.stopping import rounds_stop
from staff.arrays import array_text

if TYPE_CHECKING:
    from datetime import date

    from screening.services.register import Effect
    from staff.acting import Acting
    from staff.models import User

Fitted = Callable[[str], str]
"""Fits a statement to how a load's lines are joined with their people."""


@dataclass(frozen=True, slots=True)
class Written:
    """Ids of people: who died or leaves, and whose next date has to be computed anew."""

    gone: list[int]
    dated: list[int]


def people_written(
    load: RegisterLoad, effect: Effect, frame: Acting, fitted: Fitted, *, dates: bool, at_once: bool
) -> Written:
    """Write new and changed people. With `dates` and `at_once`, new people get their next dates as they are written."""
    facts: dict[str, Any] = {"load": load.pk, "today": frame.today, "at_once": dates and at_once}
    changed: list[tuple[int, bool, bool]] = []
    created, new = 0, None
    with connection.cursor() as cursor:
        if effect.changed:
            cursor.execute(fitted(sql.UPDATE_CHANGED), facts)
            changed = cursor.fetchall()
        gone = [pk for pk, _ruled, is_gone in changed if is_gone]
        survivors = _survivors_died(load, gone) if gone else []
        if effect.created:
            created, new = _new_written(effect, facts, fitted)
        if effect.corrected:
            cursor.execute(sql.CORRECTIONS_OVERTAKEN, facts)
            name_keys_renew(load)
    load.changed, load.created = len(changed), created
    load.unchanged = load.lines - load.refused - len(changed) - created
    dated = [*(pk for pk, ruled, _gone in changed if ruled), *survivors, *(new or [])]
    return Written([*gone, *survivors], dated)


def _new_written(effect: Effect, facts: dict[str, Any], fitted: Fitted) -> tuple[int, list[int] | None]:
    """How many new people were written and, unless they have their next dates already, who."""
    combinations = sql.NEW_FACTS if facts["at_once"] else sql.NO_FACTS
    if effect.created >= first.MANY and first.nobody_yet():
        made = first.first_people(facts, combinations, partial(_dates_of_new, on=facts["today"]))
        if made is not None:
            return made, None
    with connection.cursor() as cursor:
        cursor.execute(combinations, facts)
        dates = _dates_of_new(cursor.fetchall(), on=facts["today"])
        cursor.execute(fitted(sql.INSERT_NEW), facts | dates)
        created, new = cursor.fetchone()
        return int(created), new


def _survivors_died(load: RegisterLoad, gone: list[int]) -> list[int]:
    with few_among_many(), connection.cursor() as cursor:
        cursor.execute(sql.SURVIVORS_DIED, {"load": load.pk, "gone": gone})
        return [pk for (pk,) in cursor.fetchall()]


def answers_to(*, on: date) -> Callable[[Iterable[NewFacts]], list[NewAnswer]]:
    """Answers what new people's next dates are on a day."""
    return partial(answers_of_new, rule=policy_facts(policy_on(on)), on=on)


def _dates_of_new(found: list[tuple[Any, ...]], *, on: date) -> dict[str, str]:
    """The next date of each combination of facts that new people have, as the statements that write them take it."""
    answers = answers_to(on=on)(found)
    names = ("births", "deaths", "lefts", "addressed", "dues", "codes")
    return {name: array_text(answer[n] for answer in answers) for n, name in enumerate(names)}


def rounds_ended(gone: list[int], by: User, frame: Acting) -> None:
    """Close the rounds of the dead and of those who left; a referral never stops here, nor a kit that is back."""
    if not gone:
        return
    with few_among_many(), connection.cursor() as cursor:
        cursor.execute(sql.ROUNDS_ENDED, {"people": gone, "today": frame.today})
        found = cursor.fetchall()
    for was_died, reason in ((True, "died"), (False, "moved_away")):
        ids = [pk for pk, died in found if died is was_died]
        if ids:
            rounds_stop(by=by, round_ids=ids, reason=reason, rule="job 2.1")
