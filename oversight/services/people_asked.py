"""Filters that a person answers by themselves: conditions for what is counted from people as they are, not from rounds."""

from typing import Any

from oversight.filters import Asked
from oversight.services.surveillance import COLUMNS
from staff import clock

PERSON_COLUMNS = {**COLUMNS, "language": "p.language", "practice": "p.practice_id"}
"""Filter → SQL over a person `p`; `day` is the day on which their age counts."""


def person_conditions(asked: Asked) -> str:
    """SQL that holds for the people asked for; starts with AND, or is empty. Other filters are the caller's to refuse."""
    return "".join(f" AND {sql} = %({name})s" for name, sql in PERSON_COLUMNS.items() if name in asked.only)


def person_params(asked: Asked) -> dict[str, Any]:
    """Its parameters; ages are those of today."""
    return {**asked.params(), "day": clock.today()}
