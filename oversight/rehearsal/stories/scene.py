"""One moment in a story: whose it is, which day, and the things its acts need."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from oversight.rehearsal.register_file import register_file_written
from results.models import Referral, Result
from screening.models import Person, Round
from screening.services.register import register_apply, register_stage

if TYPE_CHECKING:
    from oversight.rehearsal.crew import Crew, Stage
    from oversight.rehearsal.stories.base import Act


def working(day: date) -> date:
    """The day itself, or the Monday after a weekend."""
    return day + timedelta(days={5: 2, 6: 1}.get(day.weekday(), 0))


@dataclass(frozen=True)
class Scene:
    """Row of the plan and day, on a stage."""

    stage: Stage
    row: int
    day: date

    @property
    def crew(self) -> Crew:
        """Who does what."""
        return self.stage.crew

    @property
    def number(self) -> str:
        """The person number."""
        return self.stage.plan.numbers[self.row]

    @property
    def person(self) -> Person:
        """The person as the registry has it now."""
        return Person.objects.get(
            identifiers__scheme="register", identifiers__value=self.number, identifiers__valid_to=None
        )

    @property
    def round(self) -> Round:
        """The latest round."""
        return Round.objects.filter(person=self.person).latest("pk")

    @property
    def result(self) -> Result:
        """The current result."""
        return Result.objects.filter(person=self.person, is_current=True).latest("pk")

    @property
    def referral(self) -> Referral:
        """The latest referral."""
        return Referral.objects.filter(person=self.person).latest("pk")

    def later(self, days: int, act: Act) -> None:
        """Write an act into this desk's diary, so many days ahead or on the working day after."""
        self.stage.diary.days[working(self.day + timedelta(days=days))].append((self.row, act))

    def feed(self, **facts: str) -> None:
        """The register sends this one person again with these facts changed; they stay so in later files of this desk."""
        columns = self.stage.plan.columns
        for name, value in facts.items():
            columns[name][self.row] = value
        load = register_stage(
            by=self.crew.administrator,
            content=register_file_written({name: [values[self.row]] for name, values in columns.items()}),
            file_name=f"feed-{self.day.isoformat()}-{self.number}.csv",
        )
        register_apply(by=self.crew.administrator, load=load)
