"""Plans letters by pull: drains the to-do rows, reminds by date, repairs a past period."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import date
from typing import Any

from django.conf import settings
from django.db import connection

from outreach.models import Letter
from outreach.querysets import NOT_ON_PAPER, anything_owed, rows_of
from outreach.services.owing import letters_owe, owed_and_asked
from outreach.services.planning_days import (
    days_forget,
    days_of_kits_sent,
    days_plan,
    leaving_by_age,
    referrals_planned,
)
from outreach.services.policy import outreach_policy_on
from outreach.services.stopping import stops_applied
from outreach.wanted import asked_for, letters_wanted, moved_since
from screening.services.rounds import policy_on
from staff import clock
from staff.acting import Acting, acting
from staff.models import User

CHUNK = 5_000


def letters_plan(*, by: User, chunk: int = CHUNK, batch_id: int | None = None) -> dict[str, int]:
    """Turn every to-do row into the letters it asks for, and take up the days that have come.

    With `batch_id` only the to-do rows of that invitation batch are taken, and no day.

    Exact under concurrency: a to-do is deleted in the transaction that does its work, and each letter has a unique
    key. Returns counts: to-do rows taken (`todo`), letters owed by kind, and what stops did to them.
    """
    done: Counter[str] = Counter()
    if not anything_owed(today=clock.today()):
        return {}
    while _drain(by=by, chunk=chunk, done=done, batch_id=batch_id) == chunk:
        continue
    if batch_id is None:
        done += days_plan(by=by, chunk=chunk)
    return dict(done)


_TAKE = """
SELECT id, source, subject_id, event FROM outreach_lettertodo t
WHERE %(batch)s::bigint IS NULL OR source = 'round' AND EXISTS (
    SELECT 1 FROM screening_round r WHERE r.id = t.subject_id AND r.batch_id = %(batch)s)
ORDER BY id LIMIT %(chunk)s FOR UPDATE SKIP LOCKED
"""


def _drain(*, by: User, chunk: int, done: Counter[str], batch_id: int | None) -> int:
    with acting(by) as frame:
        rows = rows_of(_TAKE, {"batch": batch_id, "chunk": chunk})
        if rows:
            done += _planned(by=by, frame=frame, rows=rows)
            with connection.cursor() as cursor:
                cursor.execute(
                    "DELETE FROM outreach_lettertodo WHERE id = ANY(%s)", [[row["id"] for row in rows]]
                )
            done["todo"] += len(rows)
    return len(rows)


def _planned(*, by: User, frame: Acting, rows: Sequence[dict[str, Any]]) -> Counter[str]:
    """What one chunk of to-do rows asks for, source by source."""
    ids: defaultdict[str, set[int]] = defaultdict(set)
    for row in rows:
        sent = row["source"] == "round" and row["event"] == "kit_sent"
        ids["sent" if sent else row["source"]].add(row["subject_id"])
    done: Counter[str] = Counter()
    if ids["round"]:
        done += rounds_planned(by=by, frame=frame, round_ids=sorted(ids["round"]))
    if ids["sent"]:
        days_of_kits_sent(sorted(ids["sent"]), policy=outreach_policy_on(frame.today))
    if ids["referral"]:
        done += referrals_planned(by=by, frame=frame, referral_ids=sorted(ids["referral"]))
    for source in ("stop", "exclusion", "lot"):
        if ids[source]:
            wanted = asked_for(source, sorted(ids[source]), today=frame.today)
            done += owed_and_asked(by=by, today=frame.today, wanted=wanted)
    return done


def rounds_planned(*, by: User, frame: Acting, round_ids: Sequence[int]) -> Counter[str]:
    """Owe what the ledgers of these rounds ask for; then ask the stop rule about all of their unsent letters.

    That also withdraws what an amended or withdrawn result has overtaken. A letter already on paper is left for the
    sealing desk, where it must be pulled by hand.
    """
    wanted = letters_wanted(round_ids, zone=settings.TIME_ZONE)
    wanted += leaving_by_age(round_ids, policy=policy_on(frame.today), today=frame.today)
    done = letters_owe(today=frame.today, wanted=wanted)
    unsent = Letter.objects.filter(round__in=round_ids, state__in=NOT_ON_PAPER).order_by("pk")
    _going, stopped = stops_applied(by=by, letter_ids=unsent.values_list("pk", flat=True), rule="planning")
    return done + stopped


def letters_repair(*, by: User, since: date, chunk: int = CHUNK) -> dict[str, int]:
    """Read the ledgers of a past period again and add only the letters that are missing; safe to run twice.

    Rounds, referrals, what people asked for, lots, and the days that follow from them.
    """
    done: Counter[str] = Counter()
    why = f"repair since {since}"
    for source, ids in moved_since(clock.moment(since), day=since).items():
        done[f"{source}s"] += len(ids)
        for start in range(0, len(ids), chunk):
            some = ids[start : start + chunk]
            with acting(by, reason=why) as frame:
                done += _planned(by=by, frame=frame, rows=_as_todo(source, some))
    with acting(by, reason=why) as frame:
        days_forget(feed="advance_notice", since=since)
    done += days_plan(by=by, chunk=chunk)
    return dict(done)


def _as_todo(source: str, ids: Sequence[int]) -> list[dict[str, Any]]:
    """The to-do rows that would be there if nothing had been taken; of rounds, also those of their kits sent."""
    rows = [{"source": source, "subject_id": one, "event": "repair"} for one in ids]
    if source == "round":
        rows += [{"source": source, "subject_id": one, "event": "kit_sent"} for one in ids]
    return rows
