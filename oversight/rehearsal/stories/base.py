"""What a story declares, who was cast for it, and the diary of what is still to happen. Plain data."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from oversight.rehearsal.crew import Stage
    from oversight.rehearsal.follow_work import Follow
    from oversight.rehearsal.followup import Way
    from oversight.rehearsal.plan import Plan
    from oversight.rehearsal.stories.scene import Scene
    from results.models import Referral

    Act = Callable[[Scene], None]
    Step = Callable[[Stage, Follow, Referral, Way, date], bool]


@dataclass(frozen=True)
class Story:
    """One story: who is cast, what is put in place of the drawn course, and what happens besides.

    `week` counts the weeks of the rehearsal from 1; the first fitting invitee from that week on is cast, or the first
    two side by side (`pair`), who then share a household and post their kits together. `people` and `course` override
    what was drawn (a tuple: one value for each of two), `columns` the register's facts, person by person. `readings` are (value in ng/mL as displayed, flag) in the order measured.
    `keyed` gives what the desk keys for the label, from the day the kit left. `answer` solves the set-aside.
    Acts run `after_sent` in the morning so many days after the kit left, and `after_result` on the day of the first,
    second … release, before the mail. `steps` take a referral up in place of the usual step; False leaves it to that.
    """

    number: int
    title: str
    told: str
    week: int
    pair: bool = False
    male: int | None = None
    tested_before: bool = False
    people: Mapping[str, Any] = field(default_factory=dict)
    columns: tuple[Mapping[str, str], ...] = ()
    course: Mapping[str, Any] = field(default_factory=dict)
    readings: tuple[tuple[str, str], ...] = ()
    keyed: Callable[[date], str] | None = None
    answer: str = ""
    after_sent: tuple[tuple[int, Act], ...] = ()
    after_result: tuple[Act | None, ...] = ()
    way: Mapping[str, Any] = field(default_factory=dict)
    steps: Mapping[str, Step] = field(default_factory=dict)


@dataclass(frozen=True)
class Waiting:
    """A story whose subject the registry does not hold yet; number 0 for a day of the laboratory."""

    number: int
    title: str
    waits_for: str


@dataclass
class Cast:
    """Which row of the plan plays which story: story number → rows, and back."""

    rows: dict[int, tuple[int, ...]] = field(default_factory=dict)
    story_of: dict[int, int] = field(default_factory=dict)

    def numbers(self, plan: Plan) -> dict[str, list[str]]:
        """Story number → person numbers, as kept with the rehearsal."""
        return {str(number): [plan.numbers[row] for row in rows] for number, rows in self.rows.items()}

    def take(self, number: int, rows: tuple[int, ...]) -> None:
        """Cast these rows for a story."""
        self.rows[number] = rows
        self.story_of |= dict.fromkeys(rows, number)


@dataclass
class Diary:
    """What one desk has still to do for the stories, and what it has seen; each desk keeps its own."""

    days: dict[date, list[tuple[int, Act]]] = field(default_factory=lambda: defaultdict(list))
    sent: dict[int, date] = field(default_factory=dict)
    measured: set[int] = field(default_factory=set)
    done: set[str] = field(default_factory=set)
