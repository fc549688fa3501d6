"""Freezes letters: the words, the context and the checksum are fixed; nothing of them changes afterwards."""

import json
from collections import Counter
from collections.abc import Sequence
from contextlib import AbstractContextManager
from datetime import date, timedelta
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.db import connection
from django.utils import formats, translation

from outreach.kinds import KINDS
from outreach.letters.contexts import CONTEXTS, checksum_of, context_words
from outreach.letters.phrases import (
    FINDING_WORDS,
    NEVER_CAME_BACK,
    QUESTION_WORDS,
    QUESTION_WORDS_DEFAULT,
    REPLACEMENT_WORDS,
    REPLACEMENT_WORDS_DEFAULT,
)
from outreach.letters.texts import DEFAULT_LANGUAGE, Text, text_in_use, words_digest
from outreach.models import Letter
from outreach.querysets import rows_of
from outreach.services.stopping import stops_applied
from results.models import FindingClass
from results.services.referrals_frame import results_policy_on
from results.yes_no import comparator_shown
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User

CHUNK = 2_000
POST_AND_RING = 4  # days a letter needs to arrive and be answered
PROTECTED_ROUTE = "Protected address: hand to the coordinator"


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
                        AND o.kind = 'result_more_tests' AND o.state IN ('owed', 'held'))))
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
        " WHERE p.approved_by_id IS NOT NULL AND p.valid_from <= %(day)s"
        " AND (p.valid_to IS NULL OR p.valid_to > %(day)s) ORDER BY p.valid_from DESC LIMIT 1",
        {"day": today},
    )
    return int(rows[0]["contact_days"]) if rows else 7


_FACTS = """
SELECT l.id, l.kind, l.recipient, p.given_names, p.family_name, p.birth_date, p.language, p.hidden_address,
    ARRAY_REMOVE(ARRAY[p.address_1, p.address_2, p.locality, p.postcode]::text[], '') AS address, p.next_due_on,
    coalesce(n.value, '') AS number, k.id AS kit_id, coalesce(k.serial, '') AS serial, k.dispatched_on,
    pr.id AS practice_id, coalesce(pr.name, '') AS practice_name, coalesce(pr.address, '') AS practice_address,
    rs.side, rs.comparator, rs.qualitative, rs.reported_ug_g, rs.decimals, rs.cutoff_ug_g, rs.authorised_on, sm.collected_earliest,
    ns.finding, ns.step, ns.on AS next_on, ns.words, ns.histology, su.full_name AS signed_by,
    (SELECT max(e.day) FROM results_examination e WHERE e.referral_id = ns.referral_id) AS examined_on,
    (SELECT b.collected_earliest + km.sample_age_limit_days - 2 FROM screening_return b
     JOIN screening_kit bk ON bk.id = b.kit_id JOIN screening_lot bl ON bl.id = bk.lot_id
     JOIN screening_kitmodel km ON km.id = bl.kit_model_id
     WHERE b.id = CASE WHEN l.kind = 'sample_question' THEN split_part(l.key, ':', 3)::bigint END) AS answer_by,
    (SELECT m.reason FROM outreach_lettermove m WHERE m.subject_id = l.id AND m.event = 'owe') AS why
FROM outreach_letter l
JOIN screening_person p ON p.id = l.person_id
LEFT JOIN screening_personidentifier n ON n.person_id = p.id AND n.scheme = 'register' AND n.valid_to IS NULL
LEFT JOIN screening_kit k ON k.round_id = l.round_id AND k.void_on IS NULL AND k.state IN ('assigned', 'dispatched')
LEFT JOIN screening_practice pr ON pr.id = coalesce(l.practice_id, p.practice_id) AND l.recipient = 'doctor'
LEFT JOIN results_result rs ON rs.id = l.result_id
LEFT JOIN results_sample sm ON sm.id = rs.sample_id
LEFT JOIN results_nextstep ns ON ns.id = CASE WHEN l.kind LIKE 'next_step%%' THEN split_part(l.key, ':', 2)::bigint END
LEFT JOIN staff_user su ON su.id = ns.signed_by_id
WHERE l.id = ANY(%(ids)s) ORDER BY l.id
"""


def letters_written(
    ids: Sequence[int], *, today: date, contact_days: int
) -> tuple[list[dict[str, Any]], dict[int, str]]:
    """(letters with their words, letters that cannot be written whole → why)."""
    written: dict[int, dict[str, Any]] = {}
    refused: dict[int, str] = {}
    for row in rows_of(_FACTS, {"ids": list(ids)}) if ids else []:
        text = text_in_use(row["kind"], row["language"] if row["recipient"] == "person" else "")
        try:
            words = _words(row, text, today=today, contact_days=contact_days)
        except RoundbookError as trouble:
            refused[row["id"]] = trouble.code
            continue
        version = text.version
        written[row["id"]] = {
            "id": row["id"], "kit": row["kit_id"] if KINDS[row["kind"]].needs_kit else None,
            "practice": row["practice_id"], "language": text.language, "version": version,
            "context": words,
            "checksum": checksum_of(text_version=version, words_digest=words_digest(version), context=words),
        }  # fmt: skip
    return list(written.values()), refused


def _words(row: dict[str, Any], text: Text, *, today: date, contact_days: int) -> dict[str, Any]:
    language = text.language
    given = _offered_words(row, today, language) | _result_words(row, contact_days, language)
    given |= _decided_words(row, language)
    wanted = CONTEXTS[row["kind"]].__dataclass_fields__
    return context_words(CONTEXTS[row["kind"]](**{name: given[name] for name in wanted}))


@lru_cache(maxsize=4096)
def _day(day: date | None, language: str, pattern: str = "j F Y") -> str:
    """A date in the words of a language; empty when it is not known."""
    with _speaking(language):
        return str(formats.date_format(day, pattern)) if day else ""


@lru_cache(maxsize=512)
def _what_went_wrong(why: str, language: str) -> str:
    with _speaking(language):
        return str(REPLACEMENT_WORDS.get(why, REPLACEMENT_WORDS_DEFAULT))


@lru_cache(maxsize=512)
def _question(why: str, language: str) -> str:
    with _speaking(language):
        return str(QUESTION_WORDS.get(why, QUESTION_WORDS_DEFAULT))


def _call_by(last: date | None, today: date, language: str) -> str:
    """The day by which an answer still helps; none where the letter would arrive with no time to ring."""
    return _day(last, language) if last is not None and last >= today + timedelta(days=POST_AND_RING) else ""


def _speaking(language: str) -> AbstractContextManager[None]:
    return translation.override(settings.LANGUAGE_CODE if language == DEFAULT_LANGUAGE else language)


def _offered_words(row: dict[str, Any], today: date, language: str) -> dict[str, Any]:
    """What every letter says, and what belongs to kits."""
    name = f"{row['given_names']} {row['family_name']}".strip()
    practice = [line for line in [row["practice_name"], *row["practice_address"].splitlines()] if line]
    home = [PROTECTED_ROUTE] if row["hidden_address"] else row["address"]
    return {
        "name": name, "person_name": name, "recipient_name": row["practice_name"] if practice else name,
        "address": practice[1:] if practice else home, "written_on": _day(today, language), "language": language,
        "programme": settings.PROGRAMME_NAME, "phone": settings.PROGRAMME_PHONE, "hours": settings.PROGRAMME_HOURS,
        "person_number": row["number"], "birth_date": _day(row["birth_date"], language), "serial": row["serial"],
        "sent_on": _day(row["dispatched_on"], language), "practice_name": row["practice_name"],
        "question": _question(row["why"], language), "call_by": _call_by(row["answer_by"], today, language),
        "what_went_wrong": _what_went_wrong(row["why"], language), "came_back": row["why"] not in NEVER_CAME_BACK,
    }  # fmt: skip


def _result_words(row: dict[str, Any], contact_days: int, language: str) -> dict[str, Any]:
    """What belongs to results; empty for letters without one."""
    if row["side"] is None:
        return {}
    value = f"{row['reported_ug_g']:.{row['decimals']}f}"
    sign = comparator_shown(row["comparator"], yes_no=row["qualitative"])
    return {
        "value": f"{sign + ' ' if sign else ''}{value} µg/g",
        "cutoff": f"{row['cutoff_ug_g'].normalize():f} µg/g",
        "at_or_above": row["side"] == "at_or_above",
        "collected_on": _day(row["collected_earliest"], language),
        "authorised_on": _day(row["authorised_on"], language),
        "next_invitation": _day(row["next_due_on"], language, "F Y"),
        "call_by": _day(row["authorised_on"] + timedelta(days=contact_days), language),
    }


def _decided_words(row: dict[str, Any], language: str) -> dict[str, Any]:
    """What belongs to a signed next step; empty for letters without one."""
    if row["finding"] is None:
        return {}
    with _speaking(language):
        finding, name = str(FINDING_WORDS[row["finding"]]), str(FindingClass(row["finding"]).label)
    pattern = "F Y" if row["step"] == "screening" else "j F Y"
    return {
        "examined_on": _day(row["examined_on"], language), "finding": finding, "finding_name": name, "step": row["step"],
        "next_on": _day(row["next_on"], language, pattern), "words": row["words"], "histology": row["histology"],
        "signed_by": row["signed_by"],
    }  # fmt: skip


_UPDATE = """
UPDATE outreach_letter l SET kit_id = coalesce(w.kit, l.kit_id), practice_id = coalesce(w.practice, l.practice_id),
    language = w.language, text_version = w.version, context = w.context, checksum = w.checksum
FROM jsonb_to_recordset(%s::jsonb) AS w(
    id bigint, kit bigint, practice bigint, language text, version text, context jsonb, checksum text)
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
