"""Measures a planning sweep with nothing owed against asking everybody."""

from django.db import connection

from outreach.models import LetterDate, LetterTodo, OutreachPolicy
from outreach.services.planning import letters_plan
from oversight.measuring.bench import Bench, Measured
from oversight.measuring.rounds import rounds_out
from staff import clock

MOST_ROUNDS = 100_000

# What a planner without to-do rows and dates would have to ask each time: everybody, their rounds, kits and results.
EVERYBODY = """
SELECT count(*) FROM screening_person p
LEFT JOIN screening_round r ON r.person_id = p.id
LEFT JOIN screening_kit k ON k.round_id = r.id AND k.void_on IS NULL
LEFT JOIN results_result rs ON rs.round_id = r.id AND rs.is_deciding
LEFT JOIN outreach_letter i ON i.key = 'invitation:' || r.id
LEFT JOIN outreach_letter m ON m.key = 'reminder:' || r.id || ':' || least(k.ordinal, 2)
LEFT JOIN outreach_letter t ON t.result_id = rs.id
WHERE r.id IS NOT NULL AND i.id IS NULL
   OR k.state = 'dispatched' AND k.dispatched_on <= %s::date - 28 AND m.id IS NULL
   OR rs.id IS NOT NULL AND t.id IS NULL
   OR p.next_due_on = %s::date + 10
"""
SWEEPS = 20


def planner_idle(bench: Bench) -> Measured:
    """Sweeps in which nothing is owed, advance notices switched on; the ratio is how many of them one full scan costs."""
    rounds_out(min(bench.people // 2, MOST_ROUNDS), by=bench.desk)
    OutreachPolicy.objects.update(advance_days=10)
    letters_plan(by=bench.desk)
    if LetterTodo.objects.exists() or not LetterDate.objects.exists():
        raise LookupError("The planner left something to do, or wrote down no day.")
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")

    def ours(_n: int) -> int:
        for _sweep in range(SWEEPS):
            if letters_plan(by=bench.desk):
                raise LookupError("Something was owed.")
        return SWEEPS

    def bare(_n: int) -> int:
        with connection.cursor() as cursor:
            cursor.execute(EVERYBODY, [clock.today(), clock.today()])
            cursor.fetchone()
        return 1

    return bench.race(ours, bare)
