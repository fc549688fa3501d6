"""Planning by date: days are written down when a move sets them, and taken when they come; never a scan of the register."""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from django.conf import settings
from django.db import connection
from django.db.models import Max, Q

from outreach.catalogue import KINDS
from outreach.kinds import DOCTOR
from outreach.models import Letter, OutreachPolicy, PlannedDay
from outreach.querysets import NOT_ON_PAPER, rows_of, unopened_post
from outreach.services.owing import letters_owe, owed_and_asked
from outreach.services.policy import outreach_policy_on, post_calendar
from outreach.services.stopping import stops_applied
from outreach.wanted import Candidate, falling_due, kits_out, reminders_wanted, rounds_closed
from outreach.wanted_followup import letters_of_the_day, referral_days, referral_letters_wanted
from screening.eligibility import age_on
from screening.models import ScreeningPolicy
from screening.months import add_months
from staff.acting import Acting, acting
from staff.errors import RoundbookError
from staff.models import User

REMINDERS = ("reminder", "second_contact")
MOST_DAYS_BACK = 60
"""An advance notice for somebody who fell due longer ago than this would come too late to help."""
_DOCTORS = [code for code, kind in KINDS.items() if kind.recipient == DOCTOR]

_WRITE = """
INSERT INTO outreach_letterdate (what, subject_id, "on")
SELECT * FROM unnest(%(what)s::text[], %(subject)s::bigint[], %(on)s::date[])
ON CONFLICT (what, subject_id) DO UPDATE SET "on" = excluded."on" WHERE outreach_letterdate."on" <> excluded."on"
"""


def days_write(rows: Sequence[Mapping[str, Any]]) -> None:
    """Write down days; the day of a thing that has one already is changed."""
    if rows:
        columns = {
            "what": [row["what"] for row in rows], "subject": [row["subject_id"] for row in rows],
            "on": [row["on"] for row in rows],
        }  # fmt: skip
        with connection.cursor() as cursor:
            cursor.execute(_WRITE, columns)


def days_of_kits_sent(round_ids: Sequence[int], *, policy: OutreachPolicy) -> None:
    """The reminder's day of every kit that is out."""
    days = timedelta(days=policy.reminder_days)
    out = kits_out(round_ids)
    days_write([
        {"what": "reminder", "subject_id": row["round_id"], "on": row["dispatched_on"] + days} for row in out
    ])  # fmt: skip


def referrals_planned(*, by: User, frame: Acting, referral_ids: Sequence[int]) -> Counter[str]:
    """Owe what these referrals ask for, write down their days, and ask the stop rule about their unsent letters."""
    zone = settings.TIME_ZONE
    done = letters_owe(
        today=frame.today, wanted=referral_letters_wanted(referral_ids, zone=zone, doctors=_DOCTORS)
    )
    days_write(referral_days(referral_ids, zone=zone))
    unsent = Letter.objects.filter(referral__in=referral_ids, state__in=NOT_ON_PAPER).order_by("pk")
    _going, stopped = stops_applied(by=by, letter_ids=unsent.values_list("pk", flat=True), rule="planning")
    return done + stopped


def leaving_by_age(round_ids: Sequence[int], *, policy: ScreeningPolicy, today: date) -> list[Candidate]:
    """A last letter for everybody whose next round would come after the upper age and its days of grace."""
    found = []
    for row in rounds_closed(round_ids):
        next_on = add_months(row["invited_on"], policy.interval_months)
        if age_on(row["birth_date"], next_on - timedelta(days=policy.grace_days)) > policy.age_to:
            found.append(
                Candidate("leaving_by_age", f"leaving_by_age:{row['id']}", row["person_id"], None, row["id"], None, None,
                          None, "", today, "upper_age")
            )  # fmt: skip
    return found


_COME = """
SELECT id, what, subject_id, "on" FROM outreach_letterdate WHERE "on" <= %(today)s AND what <> ALL(%(waiting)s::text[])
ORDER BY "on", id LIMIT %(chunk)s FOR UPDATE SKIP LOCKED
"""


def days_plan(*, by: User, chunk: int = 5_000) -> Counter[str]:
    """Take up every day that has come: reminders (unless post is unopened, R12), and what follow-up asked for by date.

    With nothing due this reads one entry of one index.
    """
    done = advance_notices_plan(by=by)
    done += _reminders_of_today(by=by, chunk=chunk)
    while True:
        with acting(by) as frame:
            rows = rows_of(_COME, {"today": frame.today, "waiting": list(REMINDERS), "chunk": chunk})
            for what in sorted({row["what"] for row in rows}):
                ids = [row["subject_id"] for row in rows if row["what"] == what]
                wanted = letters_of_the_day(what, ids, today=frame.today)
                done += owed_and_asked(by=by, today=frame.today, wanted=wanted)
                if what == "chase":
                    _chased_again(wanted, today=frame.today)
            _taken([row["id"] for row in rows], today=frame.today)
        if len(rows) < chunk:
            return done


CHASE_EVERY = 7


def _chased_again(wanted: Sequence[Candidate], *, today: date) -> None:
    """A report that is missing is asked for again a week later, until it comes."""
    again = today + timedelta(days=CHASE_EVERY)
    days_write([{"what": "chase", "subject_id": one.referral_id, "on": again} for one in wanted])


def _taken(ids: Sequence[int], *, today: date) -> None:
    """Delete days that were taken up; one that was moved ahead meanwhile stays."""
    with connection.cursor() as cursor:
        cursor.execute(
            'DELETE FROM outreach_letterdate d WHERE id = ANY(%s) AND "on" <= %s',
            [list(ids), today],
        )


_REMIND = """
SELECT d.id, d.what, d.subject_id, d."on", coalesce(k.site_id, 0) AS site_id
FROM outreach_letterdate d JOIN screening_round r ON r.id = d.subject_id JOIN screening_person p ON p.id = r.person_id
LEFT JOIN outreach_areadesk k ON k.area_id = p.area_id
WHERE d."on" <= %(today)s AND d.what = ANY(%(whats)s::text[])
  AND NOT coalesce(k.site_id = ANY(%(closed)s::bigint[]), %(any)s)
ORDER BY d."on", d.id LIMIT %(chunk)s FOR UPDATE OF d SKIP LOCKED
"""


def _reminders_of_today(*, by: User, chunk: int) -> Counter[str]:
    """Reminders whose day has come; unopened post at a desk delays those of the areas it opens post for (R12)."""
    done: Counter[str] = Counter()
    while True:
        with acting(by) as frame:
            if not _any_reminder(frame.today):
                return done
            policy = outreach_policy_on(frame.today)
            before = post_calendar(policy, around=frame.today).working_day_before(frame.today)
            closed = sorted({row["site_id"] for row in unopened_post(until=before)})
            rows = rows_of(_REMIND, {
                "today": frame.today, "whats": list(REMINDERS), "closed": closed, "any": bool(closed), "chunk": chunk,
            })  # fmt: skip
            for what in REMINDERS:
                ids = [row["subject_id"] for row in rows if row["what"] == what]
                wanted = reminders_wanted(what, ids, today=frame.today) if ids else []
                done += owed_and_asked(by=by, today=frame.today, wanted=wanted)
            _taken([row["id"] for row in rows], today=frame.today)
            _second_days([row for row in rows if row["what"] == "reminder"], policy=policy)
        if len(rows) < chunk:
            waiting = _any_reminder(frame.today)
            return done + Counter(reminders_waiting=waiting) if waiting else done


def rounds_waiting_for_post(today: date) -> Q | None:
    """Which rounds may not close yet, because unopened post of their desk may hold their kit (R12); None: none."""
    try:
        before = post_calendar(outreach_policy_on(today), around=today).working_day_before(today)
    except RoundbookError:
        return None
    closed = {row["site_id"] for row in unopened_post(until=before)}
    return Q(person__area__desk__site__in=closed) | Q(person__area__desk=None) if closed else None


def _any_reminder(today: date) -> int:
    rows = rows_of(
        'SELECT count(*) AS n FROM (SELECT 1 FROM outreach_letterdate WHERE "on" <= %(today)s'
        " AND what = ANY(%(whats)s::text[]) LIMIT 10000) d",
        {"today": today, "whats": list(REMINDERS)},
    )
    return int(rows[0]["n"])


def _second_days(rows: Sequence[Mapping[str, Any]], *, policy: OutreachPolicy) -> None:
    """After the reminder the day of the second contact, for kits that are still out."""
    if rows and policy.second_reminder_days:
        days = timedelta(days=policy.second_reminder_days)
        out = kits_out([row["subject_id"] for row in rows])
        days_write([
            {"what": "second_contact", "subject_id": row["round_id"], "on": row["dispatched_on"] + days} for row in out
        ])  # fmt: skip


def advance_notices_plan(*, by: User) -> Counter[str]:
    """Notices for everybody who falls due in as many days as the policy says; each calendar day is looked at once."""
    with acting(by) as frame:
        policy = outreach_policy_on(frame.today)
        if not policy.advance_days:
            return Counter()
        last = frame.today + timedelta(days=policy.advance_days)
        seen = PlannedDay.objects.filter(feed="advance_notice").aggregate(last=Max("day"))["last"]
        if seen is not None and seen >= last:
            return Counter()
        first = max(seen + timedelta(days=1), last - timedelta(days=MOST_DAYS_BACK)) if seen else last
        PlannedDay.objects.bulk_create(
            [
                PlannedDay(feed="advance_notice", day=first + timedelta(days=n))
                for n in range((last - first).days + 1)
            ],
            ignore_conflicts=True,
        )
        return owed_and_asked(by=by, today=frame.today, wanted=falling_due(first, last, today=frame.today))


def days_forget(*, feed: str, since: date) -> None:
    """Let the calendar days from one on be looked at again: a repair; the keys of letters keep it from doubling."""
    PlannedDay.objects.filter(feed=feed, day__gte=since).delete()
