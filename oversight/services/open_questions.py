"""How many people have something open with us, and whether each of those has an owner and a day."""

from dataclasses import dataclass
from datetime import date

from django.db import connection
from django.utils.translation import gettext as _

from oversight.models import ProofRun
from staff.ledger.registry import walls
from staff.roles import Pool

OPEN = "open questions"
"""Where a full proof keeps what it counted."""
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


def open_questions_of(run: ProofRun | None) -> OpenQuestions | None:
    """As a full proof counted them."""
    told = run.tables.get(OPEN) if run else None
    return OpenQuestions(*told) if told else None


def _open_sql() -> str:
    parts = []
    for ledger in walls:
        states = ", ".join(
            f"'{state}'" for state, kind in ledger.machine.states.items() if kind.value == "open"
        )
        if states:
            parts.append(
                f"SELECT {_PERSON[ledger.machine.name]} AS person, s.owner_id, s.pool, s.due_on"
                f" FROM {ledger.subject_table} s WHERE s.state IN ({states})"
            )
    return " UNION ALL ".join(parts)


def open_by_holder(*, limit: int = 12) -> list[tuple[str, int, date | None]]:
    """Who holds the open things: a colleague or a pool, how many, and the earliest date; the most first."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT coalesce(u.full_name, nullif(q.pool, ''), ''), count(*), min(q.due_on) FROM ("
            + _open_sql()
            + ") q"
            " LEFT JOIN staff_user u ON u.id = q.owner_id GROUP BY 1 ORDER BY 2 DESC, 1 LIMIT %s",
            [limit],
        )
        return [
            (str(Pool(name).label) if name in Pool.values else name or str(_("nobody")), n, day)
            for name, n, day in cursor.fetchall()
        ]


def open_questions() -> OpenQuestions:
    """Counted over every ledger that has open states."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(DISTINCT person), count(*), count(*) FILTER (WHERE owner_id IS NULL AND pool = ''),"
            f" count(*) FILTER (WHERE due_on IS NULL) FROM ({_open_sql()}) q"
        )
        return OpenQuestions(*cursor.fetchone())
