"""How many people have something open with us, and whether each of those has an owner and a day."""

from dataclasses import dataclass

from django.db import connection

from staff.ledger.registry import walls

_PERSON = {
    "round": "s.person_id", "sample": "s.person_id", "referral": "s.person_id", "letter": "s.person_id",
    "return": "(SELECT r.person_id FROM screening_kit k JOIN screening_round r ON r.id = k.round_id WHERE k.id = s.kit_id)",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class OpenQuestions:
    """People with something open, open things, and those of them without an owner or a day."""

    people: int
    things: int
    ownerless: int
    dateless: int


def open_questions() -> OpenQuestions:
    """Counted over every ledger that has open states."""
    parts = []
    for ledger in walls:
        states = ", ".join(
            f"'{state}'" for state, kind in ledger.machine.states.items() if kind.value == "open"
        )
        if states:
            parts.append(
                f"SELECT {_PERSON[ledger.machine.name]} AS person, s.owner_id IS NULL AND s.pool = '' AS nobody,"
                f" s.due_on IS NULL AS never FROM {ledger.subject_table} s WHERE s.state IN ({states})"
            )
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(DISTINCT person), count(*), count(*) FILTER (WHERE nobody), count(*) FILTER (WHERE never)"
            f" FROM ({' UNION ALL '.join(parts)}) q"
        )
        return OpenQuestions(*cursor.fetchone())
