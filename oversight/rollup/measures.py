"""What is counted: the columns of a round's fact, and the measures that each kind of cell adds up; pure.

A fact is everything the indicators need to know of one round. A cell adds up one kind of measures over the rounds that
share month, sex, five-year age, deprivation fifth, screening history and area; the month is that of the cell's anchor.
Each measure is SQL over a fact called `f`: a condition counts the rounds that meet it, anything else is added up.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from results.models.referrals import FindingClass

RESULT_DAYS = 30
"""Days after the window within which the usable result must be there (ruling R13)."""
WINDOWS = (90, 180)
EXAMINED_DAYS = (31, 60, 90, 180, 365)
LATE_INVITATION_DAYS = 30
"""An interval is kept when the next invitation follows within so many days of its end. Source: job 7.2."""
LADDER = (10, 20, 40, 80, 120)
"""Steps of the positivity ladder, µg/g. Source: job 7.2."""
LARGEST_VALUE = 400
"""Values above are kept as this one in the histogram."""
LONGEST_WAIT = 400

DIMENSIONS: Mapping[str, str] = {
    "sex": "f.sex", "age": "f.age", "fifth": "f.fifth", "history": "f.history", "area_id": "f.area_id",
}  # fmt: skip
"""What every cell can be cut by: column of the cell → SQL over the fact."""

PLACES: Sequence[str] = (
    "kit_due", "kit_out", "laboratory", "below", "to_reach", "to_examine", "to_conclude", "concluded_examined",
    "concluded_other", "not_returned", "declined", "undeliverable", "no_usable_sample", "postponed", "left", "withdrawn",
)  # fmt: skip
"""Where an invited person can be now, each in exactly one: the flow view's parts."""

FINDINGS: Sequence[str] = [value for value in FindingClass.values if value != "other_cancer"]


@dataclass(frozen=True, slots=True)
class Anchor:
    """One kind of cell: which day of the fact decides its month, which facts it counts, and what it adds up."""

    name: str
    day: str
    counts: str
    measures: Mapping[str, str]

    @property
    def table(self) -> str:
        """Its table."""
        return f"oversight_{self.name}cell"

    @property
    def line_table(self) -> str:
        """The table of its lines: the same measures cut by one thing only."""
        return f"oversight_{self.name}line"

    @property
    def month(self) -> str:
        """SQL of its month over a fact `f`."""
        return f"date_trunc('month', f.{self.day})::date"

    def sums(self, sign: str = "") -> str:
        """SQL of every measure added up, each times a sign if one is given."""
        times = f"{sign} * " if sign else ""
        return ", ".join(f"sum({times}({sql})::int) AS {name}" for name, sql in self.measures.items())


def _invited() -> dict[str, str]:
    lost = "f.lost"
    found = {
        "n": "true",
        "sent": "f.kits > 0",
        "undelivered": "f.undelivered",
        "again": "f.history = 2",
    }
    for days in WINDOWS:
        back = f"coalesce(f.arrived_on - f.start_on <= {days}, false)"
        took = f"{back} AND coalesce(f.usable_on - f.start_on <= {days + RESULT_DAYS}, false)"
        found |= {
            f"back_{days}": back, f"in_{days}": took, f"lost_{days}": f"{lost} AND NOT ({took})",
            f"again_{days}": f"f.history = 2 AND {took}",
        }  # fmt: skip
    found["high_90"] = f"{found['in_90']} AND f.high"
    found |= {f"at_{place}": f"f.place = '{place}'" for place in PLACES}
    return found


def _arrived() -> dict[str, str]:
    return {
        "n": "true",
        "kits": "f.kits_back",
        "rejected": "f.kits_rejected",
        "undated": "f.undated",
        "any_rejected": "f.kits_rejected > 0",
        "unusable": "f.kits_rejected > 0 AND f.usable_on IS NULL",
        "replaced": "f.kits_rejected > 0",
        "rescued": "f.kits_rejected > 0 AND coalesce(f.usable_on - f.arrived_on <= 60, false)",
    }


def _released() -> dict[str, str]:
    found = {
        "n": "true",
        "high": "f.high",
        "valued": "f.value IS NOT NULL",
        "unsure": "f.unsure",
        "aged": "f.sample_age IS NOT NULL",
        "aged_7": "f.sample_age > 7",
        "aged_10": "f.sample_age > 10",
        "over_age": "coalesce(f.over_age, false)",
        "quick_5": "coalesce(f.released_on - f.reached_on <= 5, false)",
        "lettered_7": "coalesce(f.letter_on - f.released_on <= 7, false)",
        "assessed": "f.high AND f.assess_on IS NOT NULL",
        "assessed_14": "f.high AND coalesce(f.assess_on - f.released_on <= 14, false)",
        "then_examined": "f.high AND f.assess_on IS NOT NULL AND f.exam_on IS NOT NULL",
        "then_examined_14": "f.high AND coalesce(f.exam_on - f.assess_on <= 14, false)",
        "quick": "f.arrived_on IS NOT NULL AND f.released_on - f.arrived_on <= 15",
        "lettered": "f.letter_on IS NOT NULL",
        "lettered_high_same_day": "f.high AND f.letter_on <= f.released_on",
        "referred": "f.high AND f.referral_id IS NOT NULL",
        "spoken_7": "f.high AND coalesce(f.contact_on - f.released_on <= 7, false)",
        "examined": "f.high AND f.exam_on IS NOT NULL",
        "conclusive": "f.high AND f.conclusive",
        "advanced": "f.high AND f.finding IN ('cancer', 'advanced_adenoma')",
        "any_adenoma": "f.high AND f.finding IN ('advanced_adenoma', 'non_advanced')",
    }
    found |= {f"ge_{step}": f"coalesce(f.value >= {step}, false)" for step in LADDER}
    found |= {
        f"examined_{days}": f"f.high AND coalesce(f.exam_on - f.released_on <= {days}, false)"
        for days in EXAMINED_DAYS
    }
    found |= {f"f_{name}": f"f.high AND f.exam_on IS NOT NULL AND f.finding = '{name}'" for name in FINDINGS}
    return found


def _examined() -> dict[str, str]:
    return {
        "n": "true",
        "scopes": "f.scopes",
        "complete": "f.complete",
        "adequate": "f.adequate",
        "with_adenoma": "f.finding IN ('advanced_adenoma', 'non_advanced') AND f.scopes > 0",
        "with_scope": "f.scopes > 0",
        "harmed": "f.harmed",
        "bled": "f.bled",
        "perforated": "f.perforated",
        "removed": "f.removed",
        "retrieved": "f.retrieved",
        "removals": "f.removals",
        "bled_after": "f.bled_after",
        "admitted": "f.admitted",
        "died": "f.died",
        "negative": "f.negative",
        "minutes": "f.minutes",
        "comforted": "f.comforted",
        "adenomas": "f.adenomas",
        "pots": "f.pots",
        "told_14": "f.told_14",
        "told": "f.told",
        "high_grade": "f.high_grade",
    }


def _due() -> dict[str, str]:
    return {"n": "true", "kept": f"f.invited_on <= f.due_on + {LATE_INVITATION_DAYS}"}


ANCHORS: Mapping[str, Anchor] = {
    one.name: one
    for one in (
        Anchor("invited", "invited_on", "f.counted", _invited()),
        Anchor("arrived", "arrived_on", "f.arrived_on IS NOT NULL", _arrived()),
        Anchor("released", "released_on", "f.released_on IS NOT NULL", _released()),
        Anchor("examined", "exam_on", "f.high AND f.exam_on IS NOT NULL", _examined()),
        Anchor("due", "due_on", "f.counted AND f.due_on IS NOT NULL", _due()),
    )
}
"""Every kind of cell by name."""


@dataclass(frozen=True, slots=True)
class Clock:
    """One clock: from which day of the fact to which, whom it runs for, and the day that decides its month."""

    name: str
    since: str
    until: str
    counts: str = "true"

    @property
    def days(self) -> str:
        """SQL of the days it took, from 0 to LONGEST_WAIT."""
        return f"least(greatest(f.{self.until} - f.{self.since}, 0), {LONGEST_WAIT})"

    @property
    def where(self) -> str:
        """SQL of whom it has stopped for."""
        return f"f.{self.since} IS NOT NULL AND f.{self.until} IS NOT NULL AND ({self.counts})"


STARTS: Mapping[str, tuple[str, str, str]] = {
    "start": ("invited_on", "start_on", "f.counted"),
    "invited": ("invited_on", "invited_on", "f.counted"),
    "outside": ("invited_on", "invited_on", "f.outside"),
    "seen": ("exam_on", "exam_on", "f.high AND f.exam_on IS NOT NULL"),
    "ended": ("ended_on", "ended_on", "f.ended_on IS NOT NULL"),
    "usable": ("released_on", "released_on", "f.released_on IS NOT NULL"),
    "high": ("released_on", "released_on", "f.high"),
    "arrived": ("arrived_on", "arrived_on", "f.arrived_on IS NOT NULL"),
}
"""From which day people are followed, as days after the first of the anchor's month: anchor day, first day, whom."""

CLOCKS: Mapping[str, Clock] = {
    one.name: one
    for one in (
        Clock("back", "start_on", "arrived_on", "f.counted"),
        Clock("age", "collected_on", "analysed_on"),
        Clock("transit", "collected_on", "reached_on"),
        Clock("result", "arrived_on", "released_on"),
        Clock("letter", "released_on", "letter_on"),
        Clock("contact", "released_on", "contact_on", "f.high"),
        Clock("assess", "released_on", "assess_on", "f.high"),
        Clock("exam", "released_on", "exam_on", "f.high"),
    )
}
"""Every clock by name; the first day decides the month."""
