"""Readings that say only yes or no: the words for it, and how such a result is shown; pure."""

YES = frozenset({"POS", "POSITIVE", "REACTIVE"})
NO = frozenset({"NEG", "NEGATIVE", "NONREACTIVE"})
SIGNS = frozenset({"+", "-"})
"""A bare sign is refused: a dash may as well stand for a reading that is missing (H12)."""


def yes_no_read(text: str) -> bool | None:
    """True for a yes (at or above the analyser's own limit), False for a no, None for anything else."""
    word = text.strip().upper()
    return True if word in YES else False if word in NO else None


def comparator_shown(comparator: str, *, yes_no: bool) -> str:
    """The sign to print before a value: a yes at the limit includes the limit itself."""
    return "≥" if yes_no and comparator == ">" else comparator
