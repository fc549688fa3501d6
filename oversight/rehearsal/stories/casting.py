"""Casts the stories: picks invitees by a rule that fits every size of region, and puts their course in place. Pure."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from oversight.rehearsal.history import tested_before
from oversight.rehearsal.plan import Plan, birth_date_for
from oversight.rehearsal.population import People
from oversight.rehearsal.stories.base import Cast, Story
from oversight.rehearsal.stories.book import STORIES

PLAIN: dict[str, Any] = {
    "undelivered": False, "returns": True, "arrival_days": 10, "collected_before": 3, "problem": "",
    "replacement_returns": True, "replacement_days": 12, "fhb": 0.0,
}  # fmt: skip
"""The course of everybody cast, before the story's own: the kit comes back, dated and in time, and finds nothing."""
SHARED = ("family_name", "address_1", "address_2", "locality", "postcode", "area_code", "practice_code")
"""What two people of one household have in common in the register."""
SMALLEST = 240
"""Invitees that are enough for every story to find its people."""


def plan_told(plan: Plan) -> tuple[Plan, Cast]:
    """The plan with every story's course in place, and who was cast; no story in a region that is too small.

    The first fitting invitee of the story's week is taken, or of the next week in which there is one.
    """
    cast = Cast()
    if plan.invited < SMALLEST:
        return plan, cast
    people = {name: getattr(plan.people, name).copy() for name in plan.people.__dataclass_fields__}
    course = {name: getattr(plan.course, name).copy() for name in PLAIN}
    columns = {name: list(values) for name, values in plan.columns.items()}
    for story in STORIES.values():
        rows = next(_fitting(plan, story, cast))
        cast.take(story.number, rows)
        for nth, row in enumerate(rows):
            _put(people, {"first": False} | dict(story.people), row)
            _put(course, PLAIN | {name: own(value, nth) for name, value in story.course.items()}, row)
            if nth:
                people["household"][row] = rows[0]
                _put(people, {name: people[name][rows[0]] for name in ("area", "fifth")}, row)
                _put(columns, {name: columns[name][rows[0]] for name in SHARED}, row)
            _named(columns, people, story, row, plan.due_days[row])
            _put(columns, dict(story.columns[nth]) if nth < len(story.columns) else {}, row)
    changed = replace(plan, people=People(**people), course=replace(plan.course, **course), columns=columns)
    return changed, cast


def own(value: Any, nth: int) -> Any:
    """What a story says of its nth person: a tuple has one value for each."""
    return value[nth] if isinstance(value, tuple) else value


def _put(table: dict[str, Any], values: dict[str, Any], row: int) -> None:
    for name, value in values.items():
        table[name][row] = value


def _named(
    columns: dict[str, list[str]], people: dict[str, np.ndarray], story: Story, row: int, due: date
) -> None:
    """The birth date that goes with an age the story gives."""
    if "age" in story.people:
        columns["birth_date"][row] = birth_date_for(int(people["age"][row]), 0, due)


def _fitting(plan: Plan, story: Story, cast: Cast) -> Iterator[tuple[int, ...]]:
    """Rows that may play a story, earliest first, from its week on and then from the beginning."""
    start = plan.first_day + timedelta(weeks=story.week - 1)
    rows = sorted(range(plan.invited), key=lambda row: (plan.due_days[row] < start, plan.due_days[row], row))
    household = plan.people.household
    for row in rows:
        pair = (row - row % 2, row - row % 2 + 1)
        if pair[1] >= plan.invited or any(one in cast.story_of for one in pair):
            continue
        if story.male is not None and int(plan.people.male[row]) != story.male:
            continue
        if story.tested_before and not tested_before(row):
            continue
        if not story.pair and household[pair[1]] != pair[0]:
            yield (row,)
        elif story.pair and plan.due_days[pair[0]] == plan.due_days[pair[1]]:
            yield pair
