"""The continuity pack: who is to be called, who is booked where, and every open referral, on paper for a day without power."""

from datetime import date, timedelta
from typing import Any

from django.db import connection
from django.template.loader import render_to_string

from results.states import REFERRAL
from staff import clock
from staff.roles import Pool

AHEAD_CALLS = 3
AHEAD_BOOKINGS = 14
_PERSON = """p.family_name, p.given_names, p.birth_date, p.phone, p.language,
    (SELECT i.value FROM screening_personidentifier i WHERE i.person_id = p.id AND i.valid_to IS NULL ORDER BY i.id LIMIT 1) AS number"""
REFERRALS = f"""
SELECT f.person_id, f.id, f.state, f.opened_on, f.due_on, f.due_time, coalesce(u.full_name, '') AS owner, f.pool, {_PERSON},
    (SELECT count(*) FROM results_contactattempt a WHERE a.referral_id = f.id) AS attempts,
    (SELECT a.note FROM results_contactattempt a WHERE a.referral_id = f.id ORDER BY a.made_at DESC LIMIT 1) AS said
FROM results_referral f JOIN screening_person p ON p.id = f.person_id LEFT JOIN staff_user u ON u.id = f.owner_id
WHERE f.state NOT IN ('', 'closed') ORDER BY f.due_on, f.due_time NULLS LAST, p.family_name, f.id
"""
BOOKINGS = f"""
SELECT f.person_id, b.day, b.time, s.name AS unit, {_PERSON}
FROM results_booking b JOIN results_referral f ON f.id = b.referral_id JOIN screening_person p ON p.id = f.person_id
JOIN staff_site s ON s.id = b.site_id
WHERE b.status = 'booked' AND b.day BETWEEN %(today)s AND %(until)s ORDER BY s.name, b.day, b.time, p.family_name
"""
SET_ASIDE = f"""
SELECT r.person_id, k.serial, b.arrived_on, s.usable_until, b.due_on, m.reason, {_PERSON}
FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id JOIN screening_round r ON r.id = k.round_id
JOIN screening_person p ON p.id = r.person_id LEFT JOIN results_sample s ON s.return_of_id = b.id
LEFT JOIN screening_returnmove m ON m.subject_id = b.id AND m.seq = b.last_seq
WHERE b.state = 'set_aside' ORDER BY b.due_on, k.serial
"""
CALLS = frozenset({"to_reach", "undecided", "paused_until"})


def _rows(statement: str, **params: Any) -> list[dict[str, Any]]:
    with connection.cursor() as cursor:
        cursor.execute(statement, params)
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def continuity_rows(day: date) -> dict[str, list[dict[str, Any]]]:
    """The lists of the pack as rows: calls, booked examinations, kits set aside, all open referrals."""
    referrals = _rows(REFERRALS)
    for row in referrals:
        row["state_words"] = REFERRAL.labels[row["state"]]
        row["days"] = (day - row["opened_on"]).days
        row["holder"] = row["owner"] or (
            Pool(row["pool"]).label if row["pool"] in Pool.values else row["pool"]
        )
    until = day + timedelta(days=AHEAD_CALLS)
    calls = [row for row in referrals if row["state"] in CALLS and row["due_on"] and row["due_on"] <= until]
    bookings = _rows(BOOKINGS, today=day, until=day + timedelta(days=AHEAD_BOOKINGS))
    return {"calls": calls, "bookings": bookings, "aside": _rows(SET_ASIDE), "referrals": referrals}


def continuity_people() -> list[int]:
    """Whoever stands in the pack of now; journalled when somebody takes it away."""
    rows = continuity_rows(clock.today())
    return sorted({row["person_id"] for part in rows.values() for row in part})


def continuity_pack(day: date) -> str:
    """The pack as HTML."""
    told = {
        "day": day,
        "now": clock.now(),
        "ahead": AHEAD_CALLS,
        "booked_ahead": AHEAD_BOOKINGS,
        **continuity_rows(day),
    }
    return render_to_string("oversight/paper/continuity.html", told)
