"""Plans letters by pull: drains the to-do rows, reminds by date, repairs a past period."""

from collections import Counter
from collections.abc import Sequence
from datetime import date
from typing import Any

from django.conf import settings
from django.db import connection

from outreach.kinds import KINDS
from outreach.models import Letter
from outreach.querysets import (
    NOT_ON_PAPER,
    Candidate,
    letters_wanted,
    reminders_wanted,
    rounds_moved_since,
    unopened_post,
)
from outreach.services.policy import outreach_policy_on, post_calendar
from outreach.services.stopping import stops_applied
from outreach.timing import PostCalendar, due_for
from staff import clock
from staff.acting import Acting, acting
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User

CHUNK = 5_000


def letters_plan(*, by: User, chunk: int = CHUNK, batch_id: int | None = None) -> dict[str, int]:
    """Turn every to-do row into the letters it asks for, and plan the reminders whose day has come.

    With `batch_id` only the to-do rows of that invitation batch are taken, and no reminder is planned.

    Exact under concurrency: a to-do is deleted in the transaction that does its work, and each letter has a unique
    key. Returns counts: to-do rows taken (`todo`), letters owed by kind, and what stops did to them.
    """
    done: Counter[str] = Counter()
    while _drain(by=by, chunk=chunk, done=done, batch_id=batch_id) == chunk:
        continue
    if batch_id is None:
        done += reminders_plan(by=by)
    return dict(done)


def _drain(*, by: User, chunk: int, done: Counter[str], batch_id: int | None) -> int:
    with acting(by) as frame:
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT id, subject_id FROM outreach_lettertodo t WHERE source = 'round'"
                " AND (%(batch)s::bigint IS NULL OR EXISTS (SELECT 1 FROM screening_round r"
                " WHERE r.id = t.subject_id AND r.batch_id = %(batch)s))"
                " ORDER BY id LIMIT %(chunk)s FOR UPDATE SKIP LOCKED",
                {"batch": batch_id, "chunk": chunk},
            )
            rows = cursor.fetchall()
        if rows:
            done += rounds_planned(by=by, frame=frame, round_ids=sorted({subject for _id, subject in rows}))
            with connection.cursor() as cursor:
                cursor.execute(
                    "DELETE FROM outreach_lettertodo WHERE id = ANY(%s)", [[pk for pk, _s in rows]]
                )
            done["todo"] += len(rows)
    return len(rows)


def rounds_planned(*, by: User, frame: Acting, round_ids: Sequence[int]) -> Counter[str]:
    """Owe what the ledgers of these rounds ask for; then ask the stop rule about all of their unsent letters.

    That also withdraws what an amended or withdrawn result has overtaken. A letter already on paper is left for the
    sealing desk, where it must be pulled by hand.
    """
    done = _owe(by=by, today=frame.today, wanted=letters_wanted(round_ids, zone=settings.TIME_ZONE))
    unsent = Letter.objects.filter(round__in=round_ids, state__in=NOT_ON_PAPER).order_by("pk")
    _going, stopped = stops_applied(by=by, letter_ids=unsent.values_list("pk", flat=True), rule="planning")
    return done + stopped


def _calendar(today: date) -> PostCalendar:
    return post_calendar(outreach_policy_on(today), around=today)


_INSERT = """
INSERT INTO outreach_letter (kind, recipient, key, person_id, practice_id, round_id, kit_id, result_id, referral_id,
                             not_before, language, text_version, checksum)
SELECT t.*, '', '', '' FROM unnest(
    %(kind)s::text[], %(recipient)s::text[], %(key)s::text[], %(person)s::bigint[], %(practice)s::bigint[],
    %(round)s::bigint[], %(kit)s::bigint[], %(result)s::bigint[], %(referral)s::bigint[], %(not_before)s::date[]) AS t
ON CONFLICT (key) DO NOTHING RETURNING id, key
"""


def _owe(*, by: User, today: date, wanted: Sequence[Candidate]) -> Counter[str]:
    """Create the letters that are missing and move them to owed, due as their kind says."""
    if not wanted:
        return Counter()
    calendar = _calendar(today)
    due = {
        w.key: due_for(KINDS[w.kind], triggered_on=w.triggered_on, side=w.side, calendar=calendar)
        for w in wanted
    }
    columns: dict[str, Any] = {
        "kind": [w.kind for w in wanted], "recipient": [KINDS[w.kind].recipient for w in wanted],
        "key": [w.key for w in wanted], "person": [w.person_id for w in wanted],
        "practice": [w.practice_id for w in wanted], "round": [w.round_id for w in wanted],
        "kit": [w.kit_id for w in wanted], "result": [w.result_id for w in wanted],
        "referral": [w.referral_id for w in wanted], "not_before": [due[w.key].not_before for w in wanted],
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(_INSERT, columns)
        born = {key: pk for pk, key in cursor.fetchall()}
    new = [w for w in wanted if w.key in born]
    make_moves(
        ledger_of(Letter),
        "owe",
        source="SELECT * FROM unnest(%(ids)s::bigint[], %(due)s::date[], %(why)s::text[]) AS t(id, due, why)",
        params={
            "ids": [born[w.key] for w in new],
            "due": [due[w.key].due_on for w in new],
            "why": [w.reason for w in new],
        },
        values={"due_on": "w.due", "pool": "'office'", "reason": "w.why"},
    )
    return Counter(w.kind for w in new)


def reminders_plan(*, by: User) -> Counter[str]:
    """Owe a reminder for every kit that has been out long enough, unless post of an earlier day is unopened (R12).

    People are not bound to a desk, so unopened post at any desk delays every reminder; the page says which.
    """
    with acting(by) as frame:
        policy = outreach_policy_on(frame.today)
        calendar = post_calendar(policy, around=frame.today)
        wanted = reminders_wanted(today=frame.today, days=policy.reminder_days)
        if not wanted:
            return Counter()
        if unopened_post(until=calendar.working_day_before(frame.today)):
            return Counter(reminders_waiting=len(wanted))
        done = _owe(by=by, today=frame.today, wanted=wanted)
        born = Letter.objects.filter(key__in=[w.key for w in wanted], state="owed").values_list(
            "pk", flat=True
        )
        _going, stopped = stops_applied(by=by, letter_ids=born, rule="planning")
    return done + stopped


def letters_repair(*, by: User, since: date, chunk: int = CHUNK) -> dict[str, int]:
    """Read the ledgers of a past period again and add only the letters that are missing; safe to run twice."""
    rounds = rounds_moved_since(clock.moment(since))
    done: Counter[str] = Counter(rounds=len(rounds))
    for start in range(0, len(rounds), chunk):
        with acting(by, reason=f"repair since {since}") as frame:
            done += rounds_planned(by=by, frame=frame, round_ids=rounds[start : start + chunk])
    return dict(done)
