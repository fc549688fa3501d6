"""Earlier rounds of people who were screened before the programme moved to this registry, laid in set-based."""

from typing import Any

from django.db import connection

from oversight.rehearsal.plan import Plan
from screening.models import Protocol
from screening.months import add_months
from staff.acting import acting
from staff.arrays import array_text
from staff.models import User

ROUNDS = """
INSERT INTO screening_round (person_id, protocol_id, nth, invited_on, sex_at_invitation, age_at_invitation, area_id,
    deprivation_fifth, state, last_seq, pool, close_reason)
SELECT i.person_id, %(protocol)s, 1, w.invited, p.sex, extract(year FROM age(w.invited, p.birth_date)), p.area_id,
    p.deprivation_fifth, '', 0, '', ''
FROM unnest(%(numbers)s::text[], %(invited)s::date[]) AS w(number, invited)
JOIN screening_personidentifier i ON i.scheme = 'register' AND i.value = w.number AND i.valid_to IS NULL
JOIN screening_person p ON p.id = i.person_id
"""

MOVES = """
INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool, reason, note, rule, occurred_at)
SELECT r.id, m.seq, m.event, m.from_state, m.to_state,
    CASE WHEN m.to_state <> 'closed' THEN r.invited_on + 90 END, CASE WHEN m.to_state <> 'closed' THEN 'office' ELSE '' END,
    CASE WHEN m.to_state = 'closed' THEN m.reason ELSE '' END, 'from the earlier registry', '',
    (r.invited_on + m.day)::timestamptz
FROM screening_round r
JOIN screening_personidentifier i ON i.person_id = r.person_id AND i.scheme = 'register'
JOIN unnest(%(numbers)s::text[], %(below)s::boolean[]) AS w(number, below) ON w.number = i.value
JOIN (VALUES
    (true, 1, 'open', '', 'kit_due', '', 0), (true, 2, 'kit_back', 'kit_due', 'result_due', '', 15),
    (true, 3, 'below', 'result_due', 'closed', 'below', 20),
    (false, 1, 'open', '', 'kit_due', '', 0), (false, 2, 'close', 'kit_due', 'closed', 'not_returned', 90)
) AS m(below, seq, event, from_state, to_state, reason, day) ON m.below = w.below
WHERE r.state = ''
"""


def tested_before(row: int) -> bool:
    """Whether the earlier round of this row, where it has one, ended with a result below."""
    return row % 5 < 3


def history_lay_in(plan: Plan, rows: list[int], *, by: User, protocol: Protocol) -> int:
    """One earlier round for each of these people, ended so that the interval brings the planned due day; returns how many."""
    numbers = [plan.numbers[row] for row in rows]
    below = [tested_before(row) for row in rows]
    back = [add_months(plan.due_days[row], -24) for row in rows]
    invited = [
        day if not was_below else day.fromordinal(day.toordinal() - 20)
        for day, was_below in zip(back, below, strict=True)
    ]
    with acting(by, reason="history from the earlier registry"), connection.cursor() as cursor:
        facts: dict[str, Any] = {
            "numbers": array_text(numbers),
            "invited": array_text(invited),
            "below": array_text(below),
            "protocol": protocol.pk,
        }
        cursor.execute(ROUNDS, facts)
        made = int(cursor.rowcount)
        cursor.execute(MOVES, facts)
        cursor.execute("DELETE FROM outreach_lettertodo")
    return made
