"""The cast of a rehearsal and the things every part of its day needs."""

from dataclasses import dataclass, field
from datetime import date

import numpy as np

from oversight.rehearsal.plan import Plan
from oversight.rehearsal.setting import Region
from oversight.rehearsal.stories.base import Cast, Diary
from results.models import Referral
from staff.models import User


@dataclass(frozen=True)
class Crew:
    """Who does what in the rehearsal."""

    front_desk: User
    office: User
    bench: User
    lab_lead: User
    coordinator: User
    nurse: User
    clinician: User
    manager: User
    administrator: User
    auditor: User
    system: User

    def owner_of(self, referral: Referral) -> User:
        """Who of the crew holds a referral; the coordinator where nobody does."""
        return self.nurse if referral.owner_id == self.nurse.pk else self.coordinator


def crew_called() -> Crew:
    """The crew from the region's staff."""
    by_name = {u.username: u for u in User.objects.all()}
    return Crew(
        front_desk=by_name["brisa"],
        office=by_name["junia"],
        bench=by_name["teshka"],
        lab_lead=by_name["ymara"],
        coordinator=by_name["kaddrin"],
        nurse=by_name["liora"],
        clinician=by_name["emrik"],
        manager=by_name["sefrin"],
        administrator=by_name["ansel"],
        auditor=by_name["wrenna"],
        system=by_name["roundbook"],
    )


@dataclass
class Stage:
    """The plan, the crew and the dice of one rehearsal; `counts` is what happened so far."""

    plan: Plan
    crew: Crew
    region: Region
    rng: np.random.Generator
    counts: dict[str, int] = field(default_factory=dict)
    row_of_serial: dict[str, int] = field(default_factory=dict)
    cast: Cast = field(default_factory=Cast)
    diary: Diary = field(default_factory=Diary)
    last_day: date | None = None
    """The day on which whoever opens the demo takes over; None when everything is played to its end."""

    def tally(self, name: str, more: int) -> None:
        """Add to a count."""
        self.counts[name] = self.counts.get(name, 0) + more
