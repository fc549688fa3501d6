"""Finds the words of a letter: its facts in one query, and each field as a person reads it."""

from contextlib import AbstractContextManager
from datetime import date, timedelta
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.utils import formats, translation

from outreach.letters.contexts import context_words
from outreach.letters.phrases import NEVER_CAME_BACK, phrase
from outreach.letters.texts import DEFAULT_LANGUAGE, fields_of
from results.models import FindingClass
from results.yes_no import comparator_shown

POST_AND_RING = 4  # days a letter needs to arrive and be answered
ATTEMPTS = {"letter": "1", "tracked": "2"}

FACTS = """
SELECT l.id, l.kind, l.recipient, l.key, l.channel, l.asked, l.subject_id, p.given_names, p.family_name, p.birth_date,
    p.language, p.hidden_address, p.phone AS home_phone, p.email, coalesce(h.form, 'standard') AS form,
    ARRAY_REMOVE(ARRAY[p.address_1, p.address_2, p.locality, p.postcode]::text[], '') AS address, p.next_due_on,
    coalesce(n.value, '') AS number, k.id AS kit_id, coalesce(k.serial, '') AS serial, k.dispatched_on,
    coalesce(lk.serial, '') AS kit_named, st.name AS site_name,
    pr.id AS practice_id, coalesce(pr.name, '') AS practice_name, coalesce(pr.address, '') AS practice_address,
    rs.side, rs.comparator, rs.qualitative, rs.reported_ug_g, rs.decimals, rs.cutoff_ug_g, rs.authorised_on, sm.collected_earliest,
    ns.finding, ns.step, coalesce(ns.on, sv.on) AS next_on, ns.words, ns.histology, su.full_name AS signed_by,
    (SELECT max(e.day) FROM results_examination e WHERE e.referral_id = coalesce(ns.referral_id, l.referral_id)) AS last_exam,
    (SELECT b.collected_earliest + km.sample_age_limit_days - 2 FROM screening_return b
     JOIN screening_kit bk ON bk.id = b.kit_id JOIN screening_lot bl ON bl.id = bk.lot_id
     JOIN screening_kitmodel km ON km.id = bl.kit_model_id
     WHERE b.id = CASE WHEN l.kind = 'sample_question' THEN split_part(l.key, ':', 3)::bigint END) AS answer_by,
    bk.day AS exam_day, bk.time AS exam_time, bs.name AS exam_place, av.preparation, av.medicine_plan,
    rm.due_on AS talk_by, CASE WHEN l.kind LIKE 'waiting%%' THEN fm.due_on ELSE ex.until END AS until,
    coalesce(sp.since, ex.since) AS asked_on, told.day AS told_on, told.side AS told_before,
    CASE WHEN l.kind = 'transfer' THEN (SELECT e.note || ' ' || e.document FROM results_closingevidence e
        WHERE e.referral_id = l.referral_id AND e.reason = 'transferred' ORDER BY e.id DESC LIMIT 1) END AS handed_to,
    (SELECT m.reason FROM outreach_lettermove m WHERE m.subject_id = l.id AND m.event = 'owe') AS why
FROM outreach_letter l
JOIN screening_person p ON p.id = l.person_id
LEFT JOIN outreach_wish h ON h.person_id = p.id
LEFT JOIN screening_personidentifier n ON n.person_id = p.id AND n.scheme = 'register' AND n.valid_to IS NULL
LEFT JOIN screening_kit k ON k.round_id = l.round_id AND k.void_on IS NULL AND k.state IN ('assigned', 'dispatched')
LEFT JOIN screening_kit lk ON lk.id = l.kit_id
LEFT JOIN staff_site st ON st.id = l.site_id
LEFT JOIN screening_practice pr ON pr.id = coalesce(l.practice_id, p.practice_id) AND l.recipient = 'doctor'
LEFT JOIN results_result rs ON rs.id = l.result_id
LEFT JOIN results_sample sm ON sm.id = rs.sample_id
LEFT JOIN results_nextstep ns ON ns.id = CASE WHEN l.kind LIKE 'next_step%%' THEN split_part(l.key, ':', 2)::bigint END
LEFT JOIN results_nextstep sv ON l.kind = 'surveillance_due' AND sv.id = l.subject_id
LEFT JOIN results_booking bk ON (l.kind LIKE 'appointment%%' OR l.kind IN ('site_chase', 'date_cancelled')) AND bk.id = l.subject_id
LEFT JOIN staff_site bs ON bs.id = bk.site_id
LEFT JOIN LATERAL (SELECT v.preparation, v.medicine_plan FROM results_assessment v
    WHERE v.referral_id = bk.referral_id ORDER BY v.id DESC LIMIT 1) av ON true
LEFT JOIN results_referralmove rm ON l.kind = 'assessment_talk' AND rm.subject_id = l.referral_id
    AND rm.seq = CASE WHEN l.kind = 'assessment_talk' THEN split_part(l.key, ':', 3)::int END
LEFT JOIN results_referralmove fm ON l.kind LIKE 'waiting%%' AND fm.subject_id = l.referral_id AND fm.seq = l.subject_id
LEFT JOIN screening_stop sp ON l.kind = 'opt_out' AND sp.id = l.subject_id
LEFT JOIN screening_exclusion ex ON l.kind = 'postponement' AND ex.id = l.subject_id
LEFT JOIN LATERAL (SELECT (m.occurred_at AT TIME ZONE %(zone)s)::date AS day, o.side FROM outreach_letter b
    JOIN results_result o ON o.id = b.result_id JOIN outreach_lettermove m ON m.subject_id = b.id AND m.event IN ('hand_over', 'sent')
    WHERE l.kind = 'corrected_result' AND b.round_id = l.round_id AND b.result_id <> l.result_id AND b.recipient = 'person'
    ORDER BY m.occurred_at DESC LIMIT 1) told ON true
LEFT JOIN staff_user su ON su.id = ns.signed_by_id
WHERE l.id = ANY(%(ids)s) ORDER BY l.id
"""


def words_for(row: dict[str, Any], language: str, *, today: date, contact_days: int) -> dict[str, Any]:
    """The finished words of one letter; RoundbookError when it cannot be written whole."""
    given = _offered_words(row, today, language) | _explained_words(row, language)
    given |= _follow_up_words(row, today, language)
    given |= _result_words(row, contact_days, language)
    given |= {"call_by": given["call_by_answer"]} if row["kind"] == "sample_question" else {}
    given |= _decided_words(row, language)
    return context_words(row["kind"], {"call_by": "", "collected_on": "", "next_invitation": ""} | given)


@lru_cache(maxsize=4096)
def _day(day: date | None, language: str, pattern: str = "j F Y") -> str:
    """A date in the words of a language; empty when it is not known."""
    with _speaking(language):
        return str(formats.date_format(day, pattern)) if day else ""


def _call_by(last: date | None, today: date, language: str) -> str:
    """The day by which an answer still helps; none where the letter would arrive with no time to ring."""
    return _day(last, language) if last is not None and last >= today + timedelta(days=POST_AND_RING) else ""


def _speaking(language: str) -> AbstractContextManager[None]:
    return translation.override(settings.LANGUAGE_CODE if language == DEFAULT_LANGUAGE else language)


def programme_words(language: str) -> dict[str, str]:
    """Who writes, and how to reach us, in the language of a letter."""
    arabic = language == "ar"
    return {
        "programme": settings.PROGRAMME_NAME_AR if arabic else settings.PROGRAMME_NAME,
        "phone": settings.PROGRAMME_PHONE,
        "hours": settings.PROGRAMME_HOURS_AR if arabic else settings.PROGRAMME_HOURS,
    }


def _addressed(row: dict[str, Any], name: str, language: str) -> tuple[str, list[str]]:
    """(first line of the window, the lines below it) for whoever the letter goes to."""
    if row["recipient"] == "doctor":
        return row["practice_name"], [line for line in row["practice_address"].splitlines() if line]
    if row["recipient"] == "site":
        return row["site_name"] or "", [phrase("route", "secure", language)]
    if row["recipient"] == "programme":
        return (row["handed_to"] or "").strip()[:120], [phrase("route", "secure", language)]
    if row["channel"] != "post":
        return name, [row["home_phone"] if row["channel"] == "text" else row["email"]]
    return name, [phrase("route", "protected", language)] if row["hidden_address"] else row["address"]


def _offered_words(row: dict[str, Any], today: date, language: str) -> dict[str, Any]:
    """What every letter says, and what belongs to kits."""
    name = f"{row['given_names']} {row['family_name']}".strip()
    first, address = _addressed(row, name, language)
    return {
        "name": name, "person_name": name, "recipient_name": first, "kit_named": row["kit_named"],
        "address": address, "written_on": _day(today, language), "language": language,
        **programme_words(language),
        "person_number": row["number"], "birth_date": _day(row["birth_date"], language), "serial": row["serial"],
        "sent_on": _day(row["dispatched_on"], language), "practice_name": row["practice_name"],
        "call_by_answer": _call_by(row["answer_by"], today, language), "came_back": row["why"] not in NEVER_CAME_BACK,
    }  # fmt: skip


EXPLAINED = {"question": "question", "what_went_wrong": "replacement"}
"""Fields that put a phrase in place of the reason why a letter is owed, with the sort of phrase."""


def _explained_words(row: dict[str, Any], language: str) -> dict[str, str]:
    """Why a letter is owed, for the kinds that say it."""
    said = fields_of(row["kind"])
    return {name: phrase(sort, str(row["why"]), language) for name, sort in EXPLAINED.items() if name in said}


def _result_words(row: dict[str, Any], contact_days: int, language: str) -> dict[str, Any]:
    """What belongs to results; empty for letters without one."""
    if row["side"] is None:
        return {"value": "", "cutoff": "", "authorised_on": "", "at_or_above": False}
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
        return {
            "next_on": _day(row["next_on"], language),
            "examined_on": _day(row["last_exam"] or row["exam_day"], language),
        }
    finding = phrase("finding", row["finding"], language)
    with _speaking(language):
        name = str(FindingClass(row["finding"]).label)
    pattern = "F Y" if row["step"] == "screening" else "j F Y"
    return {
        "examined_on": _day(row["last_exam"] or row["exam_day"], language), "finding": finding, "finding_name": name, "step": row["step"],
        "next_on": _day(row["next_on"], language, pattern), "words": row["words"], "histology": row["histology"],
        "signed_by": row["signed_by"],
    }  # fmt: skip


def _follow_up_words(row: dict[str, Any], today: date, language: str) -> dict[str, Any]:
    """What belongs to appointments, waits, requests and corrections."""
    preparation = phrase("preparation", row["preparation"], language) if row["preparation"] else ""
    return {
        "attempt": ATTEMPTS.get(row["why"], row["why"] if str(row["why"]).isdigit() else "0"),
        "talk_by": _day(row["talk_by"], language), "exam_day": _day(row["exam_day"], language, "l j F Y"),
        "exam_time": f"{row['exam_time']:%H:%M}" if row["exam_time"] else "", "exam_place": row["exam_place"] or "",
        "preparation": preparation, "medicine_plan": row["medicine_plan"] or "", "until": _day(row["until"], language),
        "for_good": row["why"] == "for_good", "asked_on": _day(row["asked_on"] or today, language), "reply": row["asked"],
        "told_on": _day(row["told_on"], language), "told_before": row["told_before"] or "",
        "handed_to": (row["handed_to"] or "").strip(),
    }  # fmt: skip
