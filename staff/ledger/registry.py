"""Which ledgers, append-only tables and to-do feeds exist; filled by each app when it is ready."""

from collections.abc import Iterator
from dataclasses import dataclass

from django.db.models import Model

from staff.ledger.machine import Machine
from staff.models.ledger import Move, Subject


@dataclass(frozen=True)
class Ledger:
    """A machine with the table of things it governs and the table of their moves."""

    machine: Machine
    subject: type[Subject]
    move: type[Move]

    @property
    def subject_table(self) -> str:
        return self.subject._meta.db_table

    @property
    def move_table(self) -> str:
        return self.move._meta.db_table


@dataclass(frozen=True)
class TodoFeed:
    """A statement trigger on a ledger it does not own that writes to-do rows of the dependent part.

    `sql` inserts into the dependent's table from the transition table `moved`; `name` is unique.
    """

    name: str
    table: str
    sql: str


@dataclass(frozen=True)
class Walls:
    """Everything the database is told to refuse or to do by itself."""

    ledgers: dict[str, Ledger]
    append_only: list[type[Model]]
    guarded: dict[type[Model], frozenset[str]]
    feeds: dict[str, TodoFeed]
    extra_sql: dict[str, str]

    def __iter__(self) -> Iterator[Ledger]:
        return iter(self.ledgers.values())


walls = Walls(ledgers={}, append_only=[], guarded={}, feeds={}, extra_sql={})


def register_ledger(ledger: Ledger) -> None:
    """Put a machine's tables behind the walls."""
    walls.ledgers[ledger.machine.name] = ledger


def register_append_only(*models: type[Model]) -> None:
    """Tables whose rows are never changed or deleted."""
    for model in models:
        if model not in walls.append_only:
            walls.append_only.append(model)


def register_guarded(model: type[Model], changeable: set[str]) -> None:
    """A table of which only these columns may change, and from which nothing is deleted."""
    walls.guarded[model] = frozenset(changeable)


def register_feed(feed: TodoFeed) -> None:
    """Let a dependent part be told of a ledger's rows."""
    walls.feeds[feed.name] = feed


def register_sql(name: str, sql: str) -> None:
    """Idempotent SQL of an app (constraint triggers and the like), run by the owner after each migration."""
    walls.extra_sql[name] = sql


def ledger_of(subject: Subject | type[Subject]) -> Ledger:
    """The ledger that governs a thing."""
    wanted = subject if isinstance(subject, type) else type(subject)
    for ledger in walls:
        if ledger.subject is wanted:
            return ledger
    raise LookupError(f"{wanted.__name__} is not registered as a ledger's subject.")
