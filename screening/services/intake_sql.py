"""The SQL of intake: one read under lock of everything a scan needs, one write of everything it changes."""

import json
from collections.abc import Sequence
from datetime import date
from typing import Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import connection

from screening.services.intake_effects import Effects, KitFacts
from screening.services.records import records_of
from staff.acting import ANNOUNCE, Acting, announcement
from staff.quick import Statement, asked

_KIT_COLUMNS = f"""
    kit.id AS kit_id, kit.serial, kit.state AS kit_state, kit.last_seq AS kit_seq, kit.dispatched_on,
    kit.void_on IS NOT NULL AS voided, kit.ordinal, lot.quarantined AS lot_quarantined,
    lot.expires_on AS lot_expires_on, model.sample_age_limit_days AS age_limit_days,
    (SELECT count(*) > 0 FROM screening_return b WHERE b.kit_id = kit.id AND b.state <> 'undone') AS has_return,
    rnd.id AS round_id, rnd.person_id, coalesce(rnd.state, '') AS round_state, coalesce(rnd.close_reason, '') AS round_reason,
    coalesce(rnd.last_seq, 0) AS round_seq, rnd.invited_on,
    coalesce(policy.max_replacements, 2) AS max_replacements,
    coalesce(policy.hold_working_days, 2) AS hold_working_days,
    (SELECT count(*) FROM screening_kit o WHERE o.round_id = rnd.id) AS kits_of_round,
    (SELECT count(*) > 0 FROM screening_kit o JOIN screening_return b ON b.kit_id = o.id
      WHERE o.round_id = rnd.id AND o.id <> kit.id AND b.state IN ('logged', 'set_aside')
        AND o.void_reason <> 'mispair suspected') AS other_kit_in,
    (SELECT count(*) > 0 FROM screening_kit o JOIN screening_return b ON b.kit_id = o.id
      WHERE o.round_id = rnd.id AND o.id <> kit.id AND b.state = 'ready') AS others_ready,
    coalesce(kit.void_reason, '') IN ('swap suspected', 'mispair suspected') AS identity_in_doubt,
    coalesce(policy.report_high_from_unfit, false) AS report_high_from_unfit,
    coalesce(policy.missing_date, 'worst_case') AS missing_date, coalesce(policy.one_desk, false) AS one_desk,
    (SELECT json_build_object('id', b.id, 'day', b.label_day, 'arrived_on', b.arrived_on)
       FROM screening_return b JOIN screening_tray t ON t.id = b.tray_id
      WHERE b.kit_id = kit.id AND b.state = 'set_aside' AND t.kind = 'owed') AS owed,
    (SELECT count(*) FROM screening_kit o WHERE o.round_id = rnd.id AND o.id <> kit.id
        AND o.void_on IS NULL AND o.state IN ('assigned', 'dispatched')) AS others_out,
    (SELECT count(*) > 0 FROM screening_round n WHERE n.person_id = rnd.person_id AND n.id <> rnd.id
        AND n.invited_on >= rnd.invited_on AND n.state NOT IN ('', 'closed')) AS newer_round_open,
    (SELECT count(*) > 0 FROM screening_stop t WHERE t.person_id = ANY({records_of("person")}) AND t.scope = 'invitations'
        AND t.ended_on IS NULL) AS opted_out,
    (SELECT count(*) > 0 FROM screening_person h JOIN screening_round hr ON hr.person_id = h.id
        AND hr.state IN ('kit_due', 'kit_out', 'result_due') WHERE person.postcode <> '' AND h.postcode = person.postcode
        AND h.address_1 = person.address_1 AND h.id <> person.id) AS household_kit_out,
    (SELECT count(*) > 0 FROM screening_possibleduplicate d WHERE d.verdict = 'different'
        AND (d.first_id = person.id OR d.second_id = person.id)) AS look_alike,
    person.deceased_on IS NOT NULL AS person_died,
    coalesce(person.given_names || ' ' || person.family_name, '') AS name,
    extract(year FROM person.birth_date)::int AS birth_year
"""
_KIT_JOINS = """
    JOIN screening_lot lot ON lot.id = kit.lot_id JOIN screening_kitmodel model ON model.id = lot.kit_model_id
    LEFT JOIN rnd ON rnd.id = kit.round_id
    LEFT JOIN screening_screeningpolicy policy ON policy.protocol_id = rnd.protocol_id
    LEFT JOIN screening_person own ON own.id = rnd.person_id
    LEFT JOIN screening_person person ON person.id = coalesce(own.merged_into_id, own.id)
"""
_LOCKED = """
    kit AS MATERIALIZED (SELECT * FROM screening_kit k WHERE k.serial = ANY(%(serials)s) ORDER BY k.id FOR NO KEY UPDATE),
    rnd AS MATERIALIZED (SELECT * FROM screening_round r WHERE r.id IN (SELECT round_id FROM kit)
                         ORDER BY r.id FOR NO KEY UPDATE)
"""
_CLOSED_DAYS = """
    (SELECT coalesce(array_agg(n.day), '{}') FROM staff_nonworkingday n
      WHERE n.day > %(today)s AND n.day <= %(today)s + 40 AND (n.site_id IS NULL OR n.site_id = d.site_id))
"""
COUNTS = """
    json_build_object('accepted', sess.accepted, 'set_aside', sess.set_aside, 'not_ours', sess.not_ours,
        'sequence', sess.last_sequence, 'minute', (SELECT count(*) FROM screening_scan c WHERE c.session_id = sess.id
            AND c.sequence > sess.last_sequence - 120 AND c.heard_at > %(now)s - interval '60 seconds'
            AND c.outcome IN ('accepted', 'accepted_with_remark', 'set_aside', 'stop', 'made_up')))
"""
RECOUNT = """
SELECT count(*) FILTER (WHERE c.outcome IN ('accepted', 'accepted_with_remark'))
       - count(*) FILTER (WHERE c.outcome = 'undone' AND c.code IN ('accepted', 'accepted_with_remark'))
       + count(*) FILTER (WHERE c.outcome = 'made_up' AND c.code = 'made_up') AS accepted,
       count(*) FILTER (WHERE c.outcome = 'set_aside' OR c.outcome = 'stop' AND c.kit_id IS NOT NULL)
       - count(*) FILTER (WHERE c.outcome = 'undone' AND c.code IN ('set_aside', 'stop') AND c.kit_id IS NOT NULL)
       - count(*) FILTER (WHERE c.outcome = 'made_up' AND c.code = 'made_up') AS set_aside,
       count(*) FILTER (WHERE c.outcome = 'not_ours' OR c.outcome = 'stop' AND c.kit_id IS NULL)
       - count(*) FILTER (WHERE c.outcome = 'undone' AND (c.code = 'not_ours' OR c.kit_id IS NULL AND c.code = 'stop'))
         AS not_ours
FROM screening_scan c WHERE c.session_id = %(session)s
"""
"""The counts of a session from its scans; the session keeps the same figures as they happen."""
EARLIER = """
    (SELECT coalesce(json_agg(row_to_json(e) ORDER BY e.sequence DESC), '[]') FROM (
        SELECT c.sequence, c.raw, c.outcome, c.code, c.heard_at, c.kit_id, c."window", c.offline, {person} FROM (
            (SELECT * FROM screening_scan l WHERE l.session_id = sess.id ORDER BY l.sequence DESC LIMIT %(latest)s)
            UNION ALL
            (SELECT * FROM screening_scan l WHERE l.session_id = sess.id AND l.sequence <= sess.last_sequence - %(latest)s
                AND l.sequence = ANY (ARRAY[%(sequence)s, sess.alarm_sequence]))) c {joins}) e)
"""
"""The latest scans, and those asked for by number; the limit keeps to the session's index whatever the registry's size."""
_EARLIER_SHORT = EARLIER.format(
    person="(SELECT k.serial FROM screening_kit k WHERE k.id = c.kit_id) AS serial", joins=""
)
_EARLIER_NAMED = EARLIER.format(
    person="k.serial, p.given_names || ' ' || p.family_name AS name, extract(year FROM p.birth_date)::int AS birth_year",
    joins="""LEFT JOIN screening_kit k ON k.id = c.kit_id LEFT JOIN screening_round r ON r.id = k.round_id
        LEFT JOIN screening_person o ON o.id = r.person_id
        LEFT JOIN screening_person p ON p.id = coalesce(o.merged_into_id, o.id)""",
)
_TRAYS = """
    (SELECT coalesce(json_object_agg(t.kind, json_build_object('id', t.id, 'label', t.label, 'places', t.places,
        'filled', t.filled)), '{}') FROM screening_tray t WHERE t.session_id = sess.id AND t.closed_at IS NULL)
"""
_LAST_DAY = """
    (SELECT CASE WHEN b.collected_earliest = b.collected_latest THEN b.collected_latest END FROM screening_return b
        WHERE b.session_id = sess.id AND b.state <> 'undone' AND b.label_day <> '' ORDER BY b.id DESC LIMIT 1)
"""
"""What “same as last” means: the day of the last kit that was not undone; nothing where that one has no single day."""
_SESSION = f"""
    SELECT sess.id AS session_id, sess.closed_at, sess.mode, sess.alarm_sequence, d.id AS delivery_id,
        coalesce(d.arrived_on, %(today)s) AS arrived_on, d.site_id, {_CLOSED_DAYS} AS closed_days, {COUNTS} AS counts,
        {_EARLIER_SHORT} AS earlier, {_TRAYS} AS trays,
        CASE WHEN %(plus)s THEN {_LAST_DAY} END AS last_day
"""
_WHO = """
who AS MATERIALIZED (
    SELECT l.session_data, u.password, u.username, u.full_name,
        ARRAY(SELECT p.role FROM staff_posting p WHERE p.user_id = u.id) AS roles
    FROM django_session l, staff_user u
    WHERE l.session_key = %(key)s AND l.expire_date > statement_timestamp() AND u.id = %(operator)s AND u.is_active)
"""
_NUMBERS = dict.fromkeys(("session", "delivery", "kit", "operator", "by", "claimed"), "bigint")
_NUMBERS |= dict.fromkeys(("sequence", "latest", "accepted", "set_aside", "not_ours", "alarm"), "int")
_TYPES = _NUMBERS | {
    "frame_actor": "text", "frame_now": "text", "frame_reason": "text", "frame_context": "text", "key": "text",
    "serials": "text[]", "today": "date", "now": "timestamptz", "plus": "boolean", "rows": "jsonb",
    "alarm_changes": "boolean",
    "paused": "timestamptz", "raw": "text", "outcome": "text", "code": "text", "typed": "boolean", "window": "text",
    "offline": "boolean",
}  # fmt: skip
SCAN = Statement(
    f"""
WITH told AS MATERIALIZED (SELECT {ANNOUNCE}), {_WHO},
sess AS MATERIALIZED (SELECT * FROM screening_intakesession WHERE id = %(session)s
    AND (%(key)s = '' OR (SELECT count(*) FROM who) = 1) FOR NO KEY UPDATE), {_LOCKED},
facts AS (SELECT {_KIT_COLUMNS} FROM kit {_KIT_JOINS})
SELECT row_to_json(whole)::text FROM (
    SELECT s.*, row_to_json(f) AS kit, (SELECT row_to_json(who) FROM who) AS who FROM (
        {_SESSION} FROM sess LEFT JOIN screening_delivery d ON d.id = sess.delivery_id) s CROSS JOIN told
        LEFT JOIN facts f ON true) whole
""",
    **_TYPES,
)
"""Locks and tells nothing where a login session's key is given and that session or its user is not there."""
MANY = f"""
WITH {_LOCKED} SELECT to_jsonb(f) FROM (SELECT {_KIT_COLUMNS} FROM kit {_KIT_JOINS}) f
"""
CLOSED_DAYS = f"SELECT {_CLOSED_DAYS} FROM screening_delivery d WHERE d.id = %(delivery)s"
BENCH = f"""
SELECT {COUNTS} AS counts, {_EARLIER_NAMED} AS earlier, {_TRAYS} AS trays, {_LAST_DAY} AS last_day
FROM screening_intakesession sess WHERE sess.id = %(session)s
"""

_MOVE = "seq smallint, event text, from_state text, to_state text, due_on date, pool text, reason text, note text, rule text"
_MOVE_NAMES = "seq, event, from_state, to_state, due_on, pool, reason, note, rule"


def _moves_into(table: str, source: str, subject: str) -> str:
    return (
        f"INSERT INTO {table} (subject_id, {_MOVE_NAMES}) SELECT {subject}, m.{_MOVE_NAMES.replace(', ', ', m.')}"
        f" FROM jsonb_to_recordset(%(rows)s::jsonb -> '{source}') AS m(kit_id bigint, round_id bigint, {_MOVE})"
    )


_WRITE = f"""
WITH ret AS (
    INSERT INTO screening_return (kit_id, delivery_id, session_id, arrived_on, label_day, collected_earliest,
                                  collected_latest, name_checked, remark, tray_id, "position",
                                  state, last_seq, due_on, pool, state_since)
    SELECT w.kit_id, %(delivery)s, %(session)s, w.arrived_on, w.label_day, w.collected_earliest, w.collected_latest,
           w.name_checked, w.remark, w.tray_id, w."position", w.state, w.last_seq, w.due_on, w.pool, roundbook_now()
    FROM jsonb_to_recordset(%(rows)s::jsonb -> 'returns') AS w(kit_id bigint, arrived_on date, label_day text,
         collected_earliest date, collected_latest date, name_checked boolean, remark text, tray_id bigint,
         "position" smallint, state text, last_seq smallint, due_on date, pool text)
    RETURNING id, kit_id, tray_id, "position"
), filled AS (
    UPDATE screening_tray t SET filled = ret."position" FROM ret WHERE t.id = ret.tray_id
), return_moves AS (
    {_moves_into("screening_returnmove", "return_moves", "ret.id")} JOIN ret ON ret.kit_id = m.kit_id
), kit_moves AS (
    {_moves_into("screening_kitmove", "kit_moves", "m.kit_id")}
), round_moves AS (
    {_moves_into("screening_roundmove", "round_moves", "m.round_id")} WHERE m.round_id IS NOT NULL
)"""
_SESSION_ROW = """, counted AS (
    UPDATE screening_intakesession SET accepted = accepted + %(accepted)s, set_aside = set_aside + %(set_aside)s,
        not_ours = not_ours + %(not_ours)s, last_sequence = greatest(last_sequence, %(sequence)s),
        alarm_sequence = CASE WHEN %(alarm_changes)s THEN %(alarm)s ELSE alarm_sequence END, paused_at = %(paused)s::timestamptz
    WHERE id = %(session)s)
"""
_SCAN_ROW = """
    INSERT INTO screening_scan (session_id, sequence, raw, kit_id, outcome, code, typed, "window", offline,
                                claimed_by_id, heard_at, by_id)
    VALUES (%(session)s, %(sequence)s, %(raw)s, %(kit)s, %(outcome)s, %(code)s, %(typed)s, %(window)s, %(offline)s,
            %(claimed)s, %(now)s, %(by)s)
"""


def scan_read(frame: Acting, **params: Any) -> dict[str, Any] | None:
    """Tell who acts, lock session, kit and round; return session, delivery, counts, earlier scans and the kit's facts.

    With the `key` of a login session, `who` is what that session and the user `operator` hold.

    Nothing may be written before it where the frame was opened without announcing.
    """
    given = {"today": frame.today, "now": frame.now} | announcement(frame)
    row = asked(SCAN, given | params)
    if row is None:
        return None
    found: dict[str, Any] = json.loads(row)
    found["arrived_on"] = date.fromisoformat(found["arrived_on"])
    found["last_day"] = date.fromisoformat(found["last_day"]) if found["last_day"] else None
    found["closed_days"] = [date.fromisoformat(day) for day in found["closed_days"]]
    if found["kit"]:
        found["kit"] = kit_facts_read(found["kit"])
    return found


def kit_facts_read(row: dict[str, Any]) -> KitFacts:
    """The facts of one kit from its JSON row."""
    for name in ("dispatched_on", "lot_expires_on", "invited_on"):
        row[name] = date.fromisoformat(row[name]) if row[name] else None
    return KitFacts(**row)


def kits_read(serials: Sequence[str]) -> dict[str, KitFacts]:
    """Lock many kits and their rounds; their facts by serial."""
    with connection.cursor() as cursor:
        cursor.execute(MANY, {"serials": list(serials)})
        rows = [json.loads(r[0]) if isinstance(r[0], str) else r[0] for r in cursor.fetchall()]
    return {row["serial"]: kit_facts_read(row) for row in rows}


def closed_days_read(delivery_id: int, today: date) -> list[date]:
    """The coming closed days of the site where a delivery arrived."""
    with connection.cursor() as cursor:
        cursor.execute(CLOSED_DAYS, {"delivery": delivery_id, "today": today})
        return list(cursor.fetchone()[0])


def bench_read(**params: Any) -> dict[str, Any]:
    """Counts, latest scans with names, open trays and last day of a session, without locks."""
    with connection.cursor() as cursor:
        cursor.execute(BENCH, params | {"latest": 24})
        names = ("counts", "earlier", "trays", "last_day")
        return dict(zip(names, (_plain(value) for value in cursor.fetchone()), strict=True))


WHO = """
SELECT p.given_names || ' ' || p.family_name, extract(year FROM p.birth_date)::int
FROM screening_kit k JOIN screening_round r ON r.id = k.round_id JOIN screening_person o ON o.id = r.person_id
JOIN screening_person p ON p.id = coalesce(o.merged_into_id, o.id) WHERE k.serial = %s
"""


def who_of(serial: str) -> tuple[str, int | None]:
    """Name and birth year of the person a kit was sent to; empty for a kit of nobody."""
    with connection.cursor() as cursor:
        cursor.execute(WHO, [serial])
        return cursor.fetchone() or ("", None)


def recount(session: int) -> tuple[int, int, int]:
    """Accepted, set aside and not ours of a session, counted from its scans."""
    with connection.cursor() as cursor:
        cursor.execute(RECOUNT, {"session": session})
        return tuple(cursor.fetchone())


def _plain(value: Any) -> Any:
    return json.loads(value) if isinstance(value, str) else value


_SCAN_ALONE = Statement("WITH nothing AS (SELECT 1)" + _SESSION_ROW + _SCAN_ROW, **_TYPES)
_SCAN_WITH_EFFECTS = Statement(_WRITE + _SESSION_ROW + _SCAN_ROW, **_TYPES)


def scan_write(
    *, effects: Effects | None, last: bool = False, alarm: int | bool | None = False, **row: Any
) -> None:
    """Store a scan row, the session's counts and, in the same statement, everything its return changes.

    `alarm` sets (a sequence) or clears (None) the session's alarm; False leaves it. `accepted`, `set_aside` and
    `not_ours` are what this scan adds to the counts. With `last` the transaction ends with it (`staff.quick.asked`).
    """
    row |= {"alarm_changes": alarm is not False, "alarm": None if alarm is False else alarm}
    if effects is None:
        asked(_SCAN_ALONE, row, last=last)
        return
    asked(_SCAN_WITH_EFFECTS, row | _rows([effects]), last=last and not effects.void_kit)
    if effects.void_kit:
        kits_void([effects.kit.kit_id], "never assigned")


def returns_write(many: Sequence[Effects], *, delivery: int) -> None:
    """Everything many returns change, in one statement."""
    with connection.cursor() as cursor:
        cursor.execute(_WRITE + " SELECT 1", _rows(many) | {"delivery": delivery, "session": None})
    kits_void([e.kit.kit_id for e in many if e.void_kit], "never assigned")


def _rows(many: Sequence[Effects]) -> dict[str, str]:
    lists: dict[str, list[dict[str, Any]]] = {
        "returns": [{"kit_id": e.kit.kit_id} | e.returned | _standing(e.return_moves[-1]) for e in many],
        "return_moves": [{"kit_id": e.kit.kit_id} | m for e in many for m in e.return_moves],
        "kit_moves": [{"kit_id": e.kit.kit_id} | m for e in many for m in e.kit_moves],
        "round_moves": [{"round_id": e.kit.round_id} | m for e in many for m in e.round_moves],
    }
    return {"rows": json.dumps(lists, cls=DjangoJSONEncoder)}


def _standing(last: dict[str, Any]) -> dict[str, Any]:
    """Where its last move takes a new thing, so that it is written once only."""
    return {
        "state": last["to_state"],
        "last_seq": last["seq"],
        "due_on": last["due_on"],
        "pool": last["pool"],
    }


def kits_void(kit_ids: Sequence[int], why: str) -> None:
    """Take kits out of use; call inside `acting(...)`."""
    if not kit_ids:
        return
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE screening_kit SET void_on = roundbook_now()::date, void_reason = %s"
            " WHERE id = ANY(%s) AND void_on IS NULL",
            [why, list(kit_ids)],
        )
