"""Freezes letters: the words, the context and the checksum are fixed; nothing of them changes afterwards."""

import json
from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django.conf import settings
from django.db import connection

from outreach.catalogue import KINDS
from outreach.letters.contexts import checksum_of
from outreach.letters.texts import chosen_from, texts_on
from outreach.letters.wording import FACTS, words_for
from outreach.models import Letter
from outreach.querysets import rows_of
from outreach.services.stopping import stops_applied
from results.services.referrals_frame import results_policy_on
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User

CHUNK = 2_000


def letters_freeze(*, by: User, limit: int = 10_000, kind: str = "") -> int:
    """Freeze up to `limit` owed letters (of one kind, or of all) whose day has come; returns how many were frozen.

    Letters with a kit wait until a kit is assigned; the doctor's copy of a result at or above waits for the first
    call attempt and for the person's letter (R11), but no longer than the promised days to first contact. A result's
    letters wait the protocol's minutes after its release, in which it can still be taken back without paper (job 5.4).
    Stops are asked first. A letter that cannot be written whole is held for the office. Killed half-way, the chunk
    that was open is simply still owed.
    """
    frozen = 0
    while limit > 0:
        asked = min(limit, CHUNK)
        taken, done = _freeze_chunk(by=by, limit=asked, kind=kind)
        frozen += done
        limit -= taken
        if taken < asked:
            break
    return frozen


_READY = """
SELECT l.id FROM outreach_letter l LEFT JOIN results_result rs ON rs.id = l.result_id
WHERE l.state = 'owed' AND (%(kind)s = '' OR l.kind = %(kind)s) AND (l.not_before IS NULL OR l.not_before <= %(today)s)
  AND (rs.id IS NULL OR rs.authorised_at <= %(released_by)s)
  AND (l.kind <> ALL(%(with_kit)s::text[]) OR EXISTS (
        SELECT 1 FROM screening_kit k WHERE k.round_id = l.round_id AND k.void_on IS NULL
        AND k.state IN ('assigned', 'dispatched')))
  AND (l.kind <> 'doctor_copy' OR rs.side <> 'at_or_above' OR rs.authorised_on <= %(waited)s OR (
        EXISTS (SELECT 1 FROM results_contactattempt c WHERE c.referral_id = l.referral_id)
        AND NOT EXISTS (SELECT 1 FROM outreach_letter o WHERE o.result_id = l.result_id
                        AND o.kind IN ('result_more_tests', 'corrected_result') AND o.state IN ('owed', 'held'))))
ORDER BY array_position(%(kinds)s::text[], l.kind::text), l.due_on, l.id
LIMIT %(limit)s FOR NO KEY UPDATE OF l SKIP LOCKED
"""


def _freeze_chunk(*, by: User, limit: int, kind: str) -> tuple[int, int]:
    with acting(by) as frame:
        contact_days = contact_days_on(frame.today)
        params = {
            "today": frame.today, "waited": frame.today - timedelta(days=contact_days), "limit": limit, "kind": kind,
            "released_by": frame.now - timedelta(minutes=results_policy_on(frame.today).letter_hold_minutes),
            "with_kit": [k.code for k in KINDS.values() if k.needs_kit], "kinds": list(KINDS),
        }  # fmt: skip
        taken = [row["id"] for row in rows_of(_READY, params)]
        going, _stopped = stops_applied(by=by, letter_ids=taken, rule="freezing")
        written, refused = letters_written(going, today=frame.today, contact_days=contact_days)
        _store(written)
        _moved(written, refused, today=frame.today)
    return len(taken), len(written)


def contact_days_on(today: date) -> int:
    """Days in which the programme promises the first contact."""
    rows = rows_of(
        "SELECT s.contact_days FROM results_resultspolicy s JOIN screening_protocol p ON p.id = s.protocol_id"
        " WHERE p.approved_by_id IS NOT NULL AND p.valid_from <= %(day)s ORDER BY p.valid_from DESC LIMIT 1",
        {"day": today},
    )
    return int(rows[0]["contact_days"]) if rows else 7


def letters_written(
    ids: Sequence[int], *, today: date, contact_days: int
) -> tuple[list[dict[str, Any]], dict[int, str]]:
    """(letters with their words, letters that cannot be written whole → why)."""
    written: list[dict[str, Any]] = []
    refused: dict[int, str] = {}
    rows = rows_of(FACTS, {"ids": list(ids), "zone": settings.TIME_ZONE}) if ids else []
    texts = texts_on(today) if rows else {}
    for row in rows:
        person = row["recipient"] == "person"
        text = chosen_from(
            texts[row["kind"]], row["language"] if person else "", row["form"] if person else "standard"
        )
        try:
            words = words_for(row, text.language, today=today, contact_days=contact_days)
        except RoundbookError as trouble:
            refused[row["id"]] = trouble.code
            continue
        written.append({
            "id": row["id"], "kit": row["kit_id"] if KINDS[row["kind"]].needs_kit else None,
            "practice": row["practice_id"], "language": text.language, "form": text.form, "version": text.version,
            "context": words,
            "checksum": checksum_of(text_version=text.version, words_digest=text.text.digest, context=words),
        })  # fmt: skip
    return written, refused


_UPDATE = """
UPDATE outreach_letter l SET kit_id = coalesce(w.kit, l.kit_id), practice_id = coalesce(w.practice, l.practice_id),
    language = w.language, form = w.form, text_version = w.version, context = w.context, checksum = w.checksum
FROM jsonb_to_recordset(%s::jsonb) AS w(
    id bigint, kit bigint, practice bigint, language text, form text, version text, context jsonb, checksum text)
WHERE l.id = w.id AND l.state = 'owed'
"""


def _store(written: Sequence[dict[str, Any]]) -> None:
    if written:
        with connection.cursor() as cursor:
            cursor.execute(_UPDATE, [json.dumps(written, ensure_ascii=False)])


def _moved(written: Sequence[dict[str, Any]], refused: dict[int, str], *, today: date) -> Counter[str]:
    done: Counter[str] = Counter()
    if written:
        done["frozen"] = make_moves(
            ledger_of(Letter),
            "freeze",
            source="SELECT unnest(%(ids)s::bigint[]) AS id",
            params={"ids": [row["id"] for row in written]},
            values={"due_on": "s.due_on", "pool": "'office'"},
        )
    if refused:
        done["held"] = make_moves(
            ledger_of(Letter),
            "hold",
            source="SELECT * FROM unnest(%(ids)s::bigint[], %(why)s::text[]) AS t(id, why)",
            params={"ids": list(refused), "why": list(refused.values()), "today": today},
            values={"due_on": "%(today)s::date", "pool": "'office'", "reason": "w.why", "rule": "'freezing'"},
        )
    return done
