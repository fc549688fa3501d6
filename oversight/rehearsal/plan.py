"""The plan of a rehearsal: who is invited on which day and what will become of them, drawn once from a seed. Pure."""

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from oversight.rehearsal.population import Course, People, course_drawn, people_drawn
from oversight.rehearsal.register_file import register_columns, register_file_written
from screening.months import add_months

WEEKS = 26
FIRST_NUMBER = 100_000_000
"""Person numbers of a rehearsal start here, away from those of the files for trying by hand."""
ELIGIBLE_PER_INVITED = 4.15


@dataclass(frozen=True)
class Plan:
    """Invitees are rows 0…invited−1 of `people` and `course`; the rest of the register follows them."""

    first_day: date
    invited: int
    dispatch_days: tuple[date, ...]
    people: People
    course: Course
    due_days: tuple[date, ...]
    sizes: Counter[date]
    columns: dict[str, list[str]]
    row_of_number: dict[str, int]

    @property
    def numbers(self) -> list[str]:
        """The person numbers, row by row."""
        return self.columns["person_number"]

    def size_on(self, day: date) -> int:
        """How many are invited on a dispatch day."""
        return self.sizes.get(day, 0)

    def register_file(self, rows: list[int]) -> bytes:
        """A register file of these rows."""
        return register_file_written(
            {name: [values[row] for row in rows] for name, values in self.columns.items()}
        )


def birth_date_for(age: int, row: int, due: date) -> str:
    """A birth date that gives this age on the planned day, spread over the year by row."""
    spread = int((row * 2654435761) % 360)
    return (add_months(due, -12 * age) - timedelta(days=spread)).isoformat()


def dispatch_days(first_day: date, weeks: int = WEEKS) -> tuple[date, ...]:
    """The working days of the invitation weeks, without the winter pause of two weeks (weeks 4 and 5)."""
    days = [first_day + timedelta(days=n) for n in range(weeks * 7)]
    pause = (first_day + timedelta(days=21), first_day + timedelta(days=32))
    return tuple(d for d in days if d.weekday() < 5 and not pause[0] <= d <= pause[1])


def plan_drawn(*, first_day: date, invited: int, seed: int) -> Plan:
    """Draw the whole plan. The register is about four times the invitees, who fall due evenly over the dispatch days."""
    rng = np.random.default_rng(seed)
    total = round(invited * ELIGIBLE_PER_INVITED)
    people = people_drawn(rng, total)
    days = dispatch_days(first_day)
    chosen = People(**{name: getattr(people, name)[:invited] for name in People.__dataclass_fields__})
    course = course_drawn(rng, chosen)
    order = np.sort(np.arange(invited) * len(days) // invited)
    due = [days[n] for n in order]
    for row in range(1, invited):
        if people.household[row] == row - 1:
            due[row] = due[row - 1]
    later = rng.integers(29 * 7, 102 * 7, total - invited)
    due += [first_day + timedelta(days=int(n)) for n in later]
    columns = register_columns(rng, people, on=first_day, first_number=FIRST_NUMBER)
    columns["birth_date"] = [birth_date_for(int(people.age[row]), row, due[row]) for row in range(total)]
    return Plan(
        first_day=first_day,
        invited=invited,
        dispatch_days=days,
        people=people,
        course=course,
        due_days=tuple(due),
        sizes=Counter(due[:invited]),
        columns=columns,
        row_of_number={number: row for row, number in enumerate(columns["person_number"][:invited])},
    )
