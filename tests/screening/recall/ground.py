"""What the random machine stands on: its moment, its people and the register's lines; no step of its own."""

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from typing import Any, ClassVar

from django.db import transaction
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine

from screening.models import Person, Round
from screening.services.register import register_apply, register_stage
from screening.services.register_lines import COLUMNS
from staff import clock
from staff.models import User
from tests import cast
from tests.screening.recall.believed import Band, Believed

START = datetime(2026, 1, 12, 10, 0, tzinfo=clock.zone())
BIRTHS = (
    date(1951, 4, 2),
    date(1960, 2, 29),
    date(1964, 3, 9),
    date(1975, 12, 31),
    date(1976, 2, 29),
    date(1979, 7, 1),
)
WHO = st.integers(0, len(BIRTHS) - 1)


class Ground(RuleBasedStateMachine):
    """Nobody yet. `reached` counts over all runs how often a person came to each place."""

    reached: ClassVar[Counter[str]] = Counter()

    def __init__(self) -> None:
        super().__init__()
        self.undo = transaction.atomic()
        self.undo.__enter__()
        self.moment, self.band, self.kits = START, Band(), 0
        self.people: list[Believed] = []
        self.sent: set[str] = set()

    def teardown(self) -> None:
        """Leave the database as it was; count where everybody came to."""
        for one in self.people:
            self.reached.update({one.place, *(r.reason for r in one.rounds)})
        transaction.set_rollback(True)
        self.undo.__exit__(None, None, None)

    # --- helpers ---------------------------------------------------------------------------------------------

    @contextmanager
    def now(self) -> Iterator[date]:
        """The clock at the machine's own moment."""
        with clock.at(self.moment):
            yield clock.today()

    def by(self, name: str = cast.PHONE_DESK) -> User:
        """Somebody of the staff."""
        return cast.member(name)

    def row(self, one: Believed) -> Person:
        """The person in the registry."""
        return Person.objects.get(identifiers__value=one.number)

    def open_round(self, one: Believed) -> Round:
        """The person's open round."""
        return Round.objects.exclude(state="closed").get(person=self.row(one))

    def line(self, one: Believed, **facts: object) -> str:
        """The register's line of a person."""
        given = {
            "person_number": one.number, "family_name": "Tolvane", "given_names": f"Marra {one.number[-2:]}",
            "birth_date": one.birth, "sex": "female", "address_1": "1 Mill Lane", "area_code": "QUI",
            "left_area_on": one.left or "",
        }  # fmt: skip
        return ",".join(str((given | facts).get(column, "")) for column in COLUMNS)

    def feed(self, *lines: str, name: str = "delta.csv") -> Any:
        """Load these lines as a file of the register."""
        content = "\n".join([",".join(COLUMNS), *lines]) + "\n" * (1 + len(self.sent))
        self.sent.add(content)
        load = register_stage(by=self.by(cast.ADMINISTRATOR), content=content.encode(), file_name=name)
        return register_apply(by=self.by(cast.MANAGER), load=load, override_hold=True)
