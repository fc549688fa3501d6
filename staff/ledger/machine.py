"""A machine is a pure table of what may follow what; no database, no clock, no settings."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from staff.errors import IllegalMove, RoundbookError
from staff.roles import Role


class Kind(StrEnum):
    """What a state asks for: OPEN needs an owner and a next date, CLOSED a reason, RESTING neither."""

    OPEN = "open"
    RESTING = "resting"
    CLOSED = "closed"


@dataclass(frozen=True)
class Step:
    """One row of a machine: in `source`, `event` leads to `target`; `roles` may do it, if `guard` holds."""

    event: str
    source: str
    target: str
    roles: frozenset[Role] = frozenset()
    guard: str = ""


@dataclass(frozen=True)
class Machine:
    """A named table of steps over named states; state "" means: not yet born."""

    name: str
    states: Mapping[str, Kind]
    labels: Mapping[str, object]
    steps: tuple[Step, ...]
    _by_key: dict[tuple[str, str], Step] = field(default_factory=dict, compare=False)

    def __post_init__(self) -> None:
        for step in self.steps:
            key = (step.source, step.event)
            if key in self._by_key:
                raise RoundbookError("machine_ambiguous", f"{self.name}: {key} is listed twice.")
            if step.target not in self.states or (step.source and step.source not in self.states):
                raise RoundbookError("machine_unknown_state", f"{self.name}: {step} names an unknown state.")
            self._by_key[key] = step

    def step(self, source: str, event: str) -> Step:
        """The step for this event in this state; raises IllegalMove naming both ends."""
        found = self._by_key.get((source, event))
        if found is None:
            raise IllegalMove(
                "illegal_move",
                f"A {self.name} that is “{source or 'new'}” cannot take “{event}”.",
                machine=self.name,
                state=source,
                event=event,
            )
        return found

    def allows(self, source: str, event: str) -> bool:
        """Whether the event may happen in this state."""
        return (source, event) in self._by_key

    def sources(self, event: str) -> list[str]:
        """The states in which an event may happen."""
        return [s.source for s in self.steps if s.event == event]

    def events(self, source: str) -> list[str]:
        """The events that may happen in a state, in the table's order."""
        return [s.event for s in self.steps if s.source == source]

    @property
    def event_names(self) -> list[str]:
        """Every event, in the table's order, once."""
        return list(dict.fromkeys(s.event for s in self.steps))

    def label(self, state: str) -> str:
        """The words for a state."""
        return str(self.labels.get(state, state))


def steps(
    event: str, sources: list[str], target: str, roles: frozenset[Role] = frozenset(), guard: str = ""
) -> tuple[Step, ...]:
    """The same event from several states to one."""
    return tuple(Step(event, source, target, roles, guard) for source in sources)


def stay(
    event: str, states: list[str], roles: frozenset[Role] = frozenset(), guard: str = ""
) -> tuple[Step, ...]:
    """An event that changes the date or owner but not the state."""
    return tuple(Step(event, state, state, roles, guard) for state in states)
