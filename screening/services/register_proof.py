"""Proves that the people equal what the register last said of each, and says how old the register is."""

from dataclasses import dataclass
from datetime import date

from django.db import connection, transaction
from django.db.models import Max

from screening.models import FieldCorrection, RegisterComparison, RegisterLoad
from screening.services import register_sql as sql
from screening.services.planner import whole_sets
from screening.services.policies import policy_on
from screening.services.register import Change
from staff import clock
from staff.acting import acting
from staff.models import User

SAMPLE = 20

# Column by column, written apart from the statement that applies a file: (column, what stands, what the line says).
_COLUMNS: tuple[tuple[str, str, str], ...] = (
    *((c, f"p.{c}", f"s.{c}") for c in sql.TEXTS if c != "name_key"),
    ("birth_date", "coalesce(p.birth_date::text, '')", "coalesce(s.birth_date::text, '')"),
    ("left_area_on", "coalesce(p.left_area_on::text, '')", "coalesce(s.left_area_on::text, '')"),
    ("area", "coalesce((SELECT a.code FROM screening_area a WHERE a.id = p.area_id), '')", "s.area_code"),
)
_KEPT = "NOT EXISTS (SELECT 1 FROM screening_fieldcorrection k WHERE k.person_id = p.id AND k.ended_on IS NULL AND k.field = '{}')"
_DIFFERS = [
    f"CASE WHEN {stands} <> {says} AND {_KEPT.format(c)} THEN '{c}' END" for c, stands, says in _COLUMNS
]
# A death is never taken back by a file, so only a death that the register says and the book does not is a difference.
_DIFFERS.append(
    f"CASE WHEN s.deceased_on IS NOT NULL AND p.deceased_on IS NULL AND {_KEPT.format('deceased_on')} THEN 'deceased_on' END"
)

COMPARE = f"""
WITH said AS MATERIALIZED ({sql.LAST_SAID}),
compared AS (
    SELECT s.person_number, p.id, array_remove(ARRAY[{", ".join(_DIFFERS)}], NULL) AS fields
    FROM said s LEFT JOIN screening_personidentifier i ON i.scheme = 'register' AND i.value = s.person_number AND i.valid_to IS NULL
    LEFT JOIN screening_person p ON p.id = i.person_id)
SELECT count(*) FILTER (WHERE id IS NOT NULL), count(*) FILTER (WHERE id IS NOT NULL AND fields <> '{{}}'),
    count(*) FILTER (WHERE id IS NULL),
    (SELECT coalesce(json_agg(x), '[]') FROM (SELECT id, fields FROM compared WHERE id IS NULL OR fields <> '{{}}'
     ORDER BY id LIMIT {SAMPLE}) x)
FROM compared
"""


_SHOWN = (*(c for c in sql.TEXTS if c != "name_key"), "birth_date", "deceased_on", "left_area_on")
CHANGED = f"""
SELECT p.id, s.line, s.person_number, {", ".join(f"coalesce(h.{c}::text, ''), coalesce(s.{c}::text, '')" for c in _SHOWN)}
FROM screening_registerload l JOIN screening_stagedperson s ON s.load_id = l.id
JOIN screening_personidentifier i ON i.scheme = 'register' AND i.value = s.person_number AND i.valid_to IS NULL
JOIN screening_person p ON p.id = i.person_id
JOIN screening_personhistory h ON h.pgh_obj_id = p.id AND h.pgh_created_at = l.applied_at
    AND h.pgh_context ->> 'reason' = 'register load ' || l.id
WHERE l.id = %(load)s ORDER BY s.line LIMIT %(limit)s
"""


@dataclass(frozen=True, slots=True)
class Freshness:
    """How old the register is: the day of the last applied file, and how many days ago that was."""

    last: date | None
    days: int | None
    alarm: bool
    too_old: bool


def register_compare(*, by: User) -> RegisterComparison:
    """Compare everybody with the last applied line about them, whatever shortcut a load took; keeps what was found."""
    with acting(by, reason="register compared") as frame, whole_sets(), connection.cursor() as cursor:
        cursor.execute(COMPARE)
        people, differing, lost, sample = cursor.fetchone()
        return RegisterComparison.objects.create(
            at=frame.now, by=by, people=people, differing=differing, lost=lost, sample=sample,
            corrected=FieldCorrection.objects.filter(ended_on=None).count(),
        )  # fmt: skip


def register_changed(load: RegisterLoad, *, limit: int = 50) -> list[Change]:
    """Whom an applied file changed, with what stood before and what the file said, line by line; the first so many."""
    with transaction.atomic(), whole_sets(), connection.cursor() as cursor:
        cursor.execute(CHANGED, {"load": load.pk, "limit": limit})
        rows = cursor.fetchall()
    return [
        Change(
            pk, line, number, [(c, a, b) for c, a, b in zip(_SHOWN, v[::2], v[1::2], strict=True) if a != b]
        )
        for pk, line, number, *v in rows
    ]


def register_freshness(on: date) -> Freshness:
    """Whether the register is missing or stale on a day; a programme that never loaded a file is given no alarm."""
    policy = policy_on(on)
    moment = RegisterLoad.objects.filter(status=RegisterLoad.Status.APPLIED).aggregate(
        last=Max("applied_at")
    )["last"]
    if moment is None:
        return Freshness(None, None, alarm=False, too_old=False)
    last = clock.local_day(moment)
    days = clock.days_between(last, on)
    return Freshness(last, days, days > policy.feed_alarm_days, days > policy.feed_oldest_days)
