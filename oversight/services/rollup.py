"""Keeps the roll-ups: folds marks into signed deltas and cells, counts everything again, and proves that both agree."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import connection, transaction
from django.db.backends.utils import CursorWrapper

from oversight.models import Fold
from oversight.rollup.cells import Adding, additions, lines_from_cells
from oversight.rollup.facts import COLUMNS, facts_sql, same
from oversight.walls import RESOLVE
from staff import clock
from staff.arrays import array_text

LOCK = 726_310
CHUNK = 20_000
"""Marks folded in one transaction."""
SMALL = 5_000
"""Up to so many people a first count is made by whoever asks first, so that nobody waits for a worker."""
DELTAS_DAYS = 400
"""So long a figure that was given can be taken apart cause by cause."""
PEOPLE_CHUNK = 100_000
NAMES = ", ".join(COLUMNS)


def definition() -> str:
    """A digest of everything that decides what facts and cells hold; a new one asks for a new count."""
    text = facts_sql() + "".join(one.add("f", sign="1") for one in additions())
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _locked(cursor: CursorWrapper) -> bool:
    cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [LOCK])
    return bool(cursor.fetchone()[0])


@dataclass(frozen=True, slots=True)
class Folded:
    """What one folding did: how many marks it took, how many facts changed."""

    marks: int
    changed: int


def fold(*, limit: int = CHUNK) -> Folded:
    """Take up to `limit` marks, find what changed, append its signed deltas and add them to the cells, in one transaction.

    Safe to run again and to kill: the marks go in the transaction that counts them. Nobody on the write path is waited
    for, and nobody waits: a second fold at the same time does nothing.
    """
    with transaction.atomic(), connection.cursor() as cursor:
        if not _locked(cursor):
            return Folded(0, 0)
        cursor.execute(
            "DELETE FROM oversight_mark WHERE ctid = ANY(ARRAY(SELECT ctid FROM oversight_mark LIMIT %s))"
            " RETURNING kind::text, ref, cause",
            [limit],
        )
        marks = cursor.fetchall()
        if not marks:
            return Folded(0, 0)
        one = Fold.objects.create(made_at=clock.now(), marks=len(marks), definition=definition())
        causes = _rounds_of(cursor, marks)
        changed = _deltas(cursor, one.pk, causes) if causes else 0
        if changed:
            _added(cursor, one.pk)
            Fold.objects.filter(pk=one.pk).update(changed=changed)
        return Folded(len(marks), changed)


def _rounds_of(cursor: CursorWrapper, marks: Sequence[tuple[str, int, str]]) -> dict[int, str]:
    """The rounds that marks concern, each with the last thing that happened to it."""
    kinds = sorted({kind for kind, _ref, _cause in marks})
    parts = " UNION ALL ".join(
        f"SELECT m.n, q.round_id, m.cause FROM m JOIN ({RESOLVE[kind]}) q ON q.id = m.ref WHERE m.kind = '{kind}'"
        for kind in kinds
    )
    cursor.execute(
        "WITH m AS (SELECT * FROM unnest(%s::text[], %s::bigint[], %s::text[]) WITH ORDINALITY AS m(kind, ref, cause, n))"
        f" SELECT round_id, cause FROM ({parts}) q WHERE round_id IS NOT NULL ORDER BY n",
        [array_text(column) for column in zip(*marks, strict=True)],
    )
    return dict(cursor.fetchall())


def _deltas(cursor: CursorWrapper, fold_id: int, causes: Mapping[int, str]) -> int:
    """Append what goes out and what comes in; returns how many facts changed."""
    people = "r.person_id = ANY(ARRAY(SELECT DISTINCT t.person_id FROM screening_round t WHERE t.id = ANY(%(rounds)s::bigint[])))"
    params: dict[str, Any] = {
        "fold": fold_id, "zone": clock.zone().key, "rounds": array_text(causes),
        "causes": array_text(causes.values()),
    }  # fmt: skip
    cursor.execute(
        f"INSERT INTO oversight_delta (fold_id, sign, cause, {NAMES})"
        f" SELECT %(fold)s, 1, coalesce(w.cause, 'history'), {', '.join(f'n.{c}' for c in COLUMNS)}"
        f" FROM ({facts_sql(people=people)}) n LEFT JOIN oversight_fact o ON o.round_id = n.round_id"
        " LEFT JOIN unnest(%(rounds)s::bigint[], %(causes)s::text[]) AS w(round_id, cause) ON w.round_id = n.round_id"
        f" WHERE o.round_id IS NULL OR NOT ({same('n', 'o')})",
        params,
    )
    changed = cursor.rowcount
    cursor.execute(
        f"INSERT INTO oversight_delta (fold_id, sign, cause, {NAMES})"
        f" SELECT d.fold_id, -1, d.cause, {', '.join(f'o.{c}' for c in COLUMNS)}"
        " FROM oversight_delta d JOIN oversight_fact o ON o.round_id = d.round_id WHERE d.fold_id = %s",
        [fold_id],
    )
    return int(changed)


def _added(cursor: CursorWrapper, fold_id: int) -> None:
    source = f"(SELECT * FROM oversight_delta WHERE fold_id = {int(fold_id)}) f"
    for one in additions():
        cursor.execute(one.add(source, sign="f.sign"))
    columns = [name for name in COLUMNS if name != "round_id"]
    cursor.execute(
        f"INSERT INTO oversight_fact ({NAMES}) SELECT {NAMES} FROM oversight_delta WHERE fold_id = %s AND sign = 1"
        f" ON CONFLICT (round_id) DO UPDATE SET {', '.join(f'{c} = excluded.{c}' for c in columns)}",
        [fold_id],
    )


def rebuild() -> int:
    """Count everything again from the ledgers, people by people; returns how many rounds. Pages see it when it is whole."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])
        for table in ("oversight_fact", *dict.fromkeys(one.table for one in additions())):
            cursor.execute(f"DELETE FROM {table}")
        cursor.execute("SELECT coalesce(max(id), 0) FROM screening_person")
        rounds, last = 0, int(cursor.fetchone()[0])
        for first in range(0, last + 1, PEOPLE_CHUNK):
            cursor.execute(
                f"INSERT INTO oversight_fact ({NAMES})"
                f" {facts_sql(people='r.person_id BETWEEN %(first)s AND %(last)s')}",
                {"zone": clock.zone().key, "first": first, "last": first + PEOPLE_CHUNK - 1},
            )
            rounds += cursor.rowcount
        cells_from_facts(cursor)
        Fold.objects.create(
            kind=Fold.Kind.REBUILD, made_at=clock.now(), changed=rounds, definition=definition()
        )
    return rounds


def cells_from_facts(cursor: CursorWrapper) -> None:
    """Add every fact to the empty cells."""
    for one in additions():
        cursor.execute(lines_from_cells(one) if one.from_cells else one.add("oversight_fact f", sign="1"))


def counted_first() -> bool:
    """Whether everything has been counted by the definition in use; a small register is counted here and now."""
    if Fold.objects.filter(kind=Fold.Kind.REBUILD, definition=definition()).exists():
        return True
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM (SELECT 1 FROM screening_round LIMIT %s) q", [SMALL + 1])
        if cursor.fetchone()[0] > SMALL:
            return False
    rebuild()
    return True


def catch_up(*, limit: int = 500) -> datetime:
    """Fold what is waiting if it is little; returns the moment up to which everything is counted."""
    counted_first()
    folded = fold(limit=limit)
    if folded.marks < limit and not waiting(limit=1):
        return clock.now()
    last = Fold.objects.order_by("-made_at", "-pk").values_list("made_at", flat=True).first()
    return last or clock.now()


def fold_all() -> Folded:
    """Fold until nothing waits."""
    marks = changed = 0
    while (one := fold()).marks:
        marks, changed = marks + one.marks, changed + one.changed
    return Folded(marks, changed)


def deltas_prune() -> int:
    """Forget the deltas of folds so old that no figure given before them is reconciled any more; returns how many."""
    with connection.cursor() as cursor:
        cursor.execute(
            "DELETE FROM oversight_delta WHERE fold_id IN (SELECT id FROM oversight_fold WHERE made_at < %s)",
            [clock.now() - timedelta(days=DELTAS_DAYS)],
        )
        return int(cursor.rowcount)


def waiting(*, limit: int = 1_000_000) -> int:
    """How many marks wait to be folded, up to a limit."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM (SELECT 1 FROM oversight_mark LIMIT %s) q", [limit])
        return int(cursor.fetchone()[0])


@dataclass(frozen=True, slots=True)
class Difference:
    """A table whose rows are not what the ledgers say, and how many."""

    table: str
    rows: int


def differences() -> list[Difference]:
    """Count everything again beside what is kept and compare row by row; nothing may be waiting."""
    found = []
    with connection.cursor() as cursor:
        params = {"zone": clock.zone().key}
        cursor.execute(
            f"SELECT count(*) FROM ({facts_sql()}) n FULL JOIN oversight_fact o ON o.round_id = n.round_id"
            f" WHERE o.round_id IS NULL OR n.round_id IS NULL OR NOT ({same('n', 'o')})",
            params,
        )
        found.append(Difference("oversight_fact", int(cursor.fetchone()[0])))
        for table in dict.fromkeys(one.table for one in additions()):
            cursor.execute(_compared([one for one in additions() if one.table == table]), params)
            found.append(Difference(table, int(cursor.fetchone()[0])))
    return [one for one in found if one.rows]


def _compared(parts: Sequence[Adding]) -> str:
    first = parts[0]
    again = " UNION ALL ".join(one.select("again f", sign="1") for one in parts)
    columns = ", ".join(first.columns)
    zeros = " OR ".join(f"{name} <> 0" for name in first.sums)
    kept = f"SELECT {columns} FROM {first.table} WHERE {zeros}"
    return (
        f"WITH again AS MATERIALIZED ({facts_sql()}), told AS (SELECT {columns} FROM ({again}) q), kept AS ({kept})"
        " SELECT count(*) FROM ((TABLE told EXCEPT ALL TABLE kept) UNION ALL (TABLE kept EXCEPT ALL TABLE told)) q"
    )
