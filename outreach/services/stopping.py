"""Asks the stop rule about many letters at once and carries out what it says."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from django.db import connection

from outreach.catalogue import KINDS
from outreach.kinds import Outcome
from outreach.models import Letter
from outreach.querysets import stop_facts
from outreach.stops import Facts, Stop, stop_for
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool

EVENTS = {
    Outcome.CANCEL: "cancel",
    Outcome.SUPERSEDE: "supersede",
    Outcome.HOLD_OFFICE: "hold",
    Outcome.HOLD_COORDINATORS: "hold",
}
_HELD_BY = {Outcome.HOLD_OFFICE: Pool.OFFICE, Outcome.HOLD_COORDINATORS: Pool.COORDINATORS}


def stops_found(letter_ids: Sequence[int]) -> dict[int, Stop]:
    """Which of these letters may not go on, and why."""
    found = {}
    asked: dict[tuple[str, Facts], Stop | None] = {}
    for letter_id, kind, facts in stop_facts(letter_ids, today=clock.today()):
        same = (kind, facts)
        if same not in asked:
            asked[same] = stop_for(KINDS[kind], facts)
        stop = asked[same]
        if stop is not None:
            found[letter_id] = stop
    return found


def stops_carried_out(*, by: User, stops: Mapping[int, Stop], rule: str) -> Counter[str]:
    """Cancel, supersede or hold each letter as its stop says; a hold is due today.

    A hold for the coordinators belongs to the user who owns the referral, else to their pool (R1: a same-day task).
    Returns how many of each.
    """
    done: Counter[str] = Counter()
    with acting(by) as frame:
        for outcome, event in EVENTS.items():
            chosen = {letter: stop.code.value for letter, stop in stops.items() if stop.outcome is outcome}
            if not chosen:
                continue
            params = {
                "ids": list(chosen), "why": list(chosen.values()), "rule": rule, "today": frame.today,
                "pool": _HELD_BY.get(outcome, Pool.OFFICE).value, "by_owner": outcome is Outcome.HOLD_COORDINATORS,
            }  # fmt: skip
            values = {"reason": "w.why", "rule": "%(rule)s"}
            if event == "hold":
                values |= {
                    "due_on": "%(today)s::date",
                    "owner_id": "w.owner_id",
                    "pool": "CASE WHEN w.owner_id IS NULL THEN %(pool)s ELSE '' END",
                }
            done[event] += make_moves(ledger_of(Letter), event, source=_SOURCE, params=params, values=values)
        if done["supersede"]:
            _asked_again([letter for letter, stop in stops.items() if stop.outcome is Outcome.SUPERSEDE])
    return done


def _asked_again(letter_ids: list[int]) -> None:
    """A result replaced by another on the same side moves no round: ask the planner for the new letter ourselves."""
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO outreach_lettertodo (source, subject_id, event, reason)"
            " SELECT DISTINCT 'round', round_id, 'superseded', '' FROM outreach_letter"
            " WHERE id = ANY(%s) AND round_id IS NOT NULL AND state = 'superseded'",
            [letter_ids],
        )


_SOURCE = """
SELECT t.id, t.why, CASE WHEN %(by_owner)s AND u.is_active THEN u.id END AS owner_id
FROM unnest(%(ids)s::bigint[], %(why)s::text[]) AS t(id, why)
JOIN outreach_letter l ON l.id = t.id
LEFT JOIN results_referral f ON f.id = l.referral_id AND f.state <> 'closed'
LEFT JOIN staff_user u ON u.id = f.owner_id
"""


def stops_applied(*, by: User, letter_ids: Iterable[int], rule: str) -> tuple[list[int], Counter[str]]:
    """Ask the rule about these letters and carry it out; returns (those that may go on, counts of the rest)."""
    ids = list(letter_ids)
    stops = stops_found(ids) if ids else {}
    counts = stops_carried_out(by=by, stops=stops, rule=rule) if stops else Counter()
    return [letter for letter in ids if letter not in stops], counts
