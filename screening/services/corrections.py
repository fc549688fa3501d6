"""Corrects what the register says of a person, so that the correction outlives the next file; says where each fact comes from."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from django.db import connection
from django.utils.translation import gettext as _

from screening.models import CORRECTABLE, FieldCorrection, Person, PostcodeFifth, RegisterLoad
from screening.names import name_key_make
from screening.services.due import due_dates_refresh
from staff import clock
from staff.acting import Acting, acting
from staff.errors import RoundbookError
from staff.models import User

OLDEST_YEARS = 120
PHONE_DIGITS = range(6, 16)
_PHONE = re.compile(r"[0-9 +()/-]*")
LONGEST = {"postcode": 12, "phone": 24, "language": 12, "sex": 8}

HISTORY = """
SELECT h.pgh_created_at, h.pgh_context ->> 'reason', u.full_name, {columns}
FROM screening_personhistory h LEFT JOIN staff_user u ON u.id = (h.pgh_context ->> 'actor')::bigint
WHERE h.pgh_obj_id = %s ORDER BY h.pgh_id DESC
"""


@dataclass(frozen=True, slots=True)
class FactSource:
    """Where a fact of a person comes from, and since when it reads so."""

    field: str
    since: date
    by_hand: bool
    who: str
    register_says: str = ""


def person_correct(*, by: User, person: Person, facts: Mapping[str, str], note: str) -> list[FieldCorrection]:
    """Write facts by hand over what the register says; each stays until the register says something new.

    Facts that are as they were change nothing. RoundbookError for an unknown field, an unreadable value or no reason.
    """
    if not note.strip():
        raise RoundbookError("note_missing", _("Say how we know: who told us, and how it was checked."))
    with acting(by, reason="corrected by hand") as frame:
        person = Person.objects.select_for_update(of=("self",), no_key=True).get(pk=person.pk)
        changed = {f: v.strip() for f, v in facts.items() if v.strip() != fact_text(person, f)}
        for field, value in changed.items():
            setattr(person, field, _checked(field, value, frame.today))
        if not changed:
            return []
        made = [_corrected(person, field, value, note, frame) for field, value in changed.items()]
        person.name_key = name_key_make(person.family_name, person.given_names)
        if "postcode" in changed:
            found = PostcodeFifth.objects.filter(postcode=person.postcode).values_list("fifth", flat=True)
            person.deprivation_fifth = found.first()
        person.save(update_fields=[*changed, "name_key", "deprivation_fifth"])
        due_dates_refresh(by=by, person_ids=[person.pk])
    return made


def fact_text(person: Person, field: str) -> str:
    """A fact as text, as the register file writes it."""
    value = getattr(person, field)
    return "" if value is None else str(value)


def _checked(field: str, value: str, today: date) -> str | date | None:
    if field not in CORRECTABLE:
        raise RoundbookError("field_unknown", _("Choose a field from the list."), field=field)
    if field == "birth_date":
        return _birth_checked(value, today)
    if field in {"family_name", "given_names"} and not value:
        raise RoundbookError("name_missing", _("A letter needs both names."), field=field)
    if len(value) > LONGEST.get(field, 120) or any(ord(c) < 32 for c in value):
        raise RoundbookError(
            "value_too_long", _("This is too long, or holds a character that cannot be printed."), field=field
        )
    if field == "phone" and value:
        _phone_checked(value)
    if field == "sex" and value not in {"female", "male", "other", "unknown"}:
        raise RoundbookError("sex_unknown", _("Choose female, male, other or unknown."), field=field)
    return value


def _phone_checked(value: str) -> None:
    """Some number that could be dialled: the fewest digits of a local one, the most that the world's numbers have.

    Source: ITU-T E.164 (at most 15 digits); six is the programme's own lower bound.
    """
    if not _PHONE.fullmatch(value) or sum(c.isdigit() for c in value) not in PHONE_DIGITS:
        raise RoundbookError(
            "phone_wrong",
            _("A phone number has 6 to 15 digits; beside them only blanks and + - ( ) / may stand."),
            field="phone",
        )


def _birth_checked(value: str, today: date) -> date | None:
    if not value:
        return None
    try:
        day = date.fromisoformat(value)
    except ValueError as error:
        raise RoundbookError(
            "date_wrong", _("Write the birth date as 1964-03-09."), field="birth_date"
        ) from error
    if not today.year - OLDEST_YEARS <= day.year or day > today:
        raise RoundbookError(
            "date_wrong", _("A birth date lies in the past, at most 120 years ago."), field="birth_date"
        )
    return day


def _corrected(person: Person, field: str, value: str, note: str, frame: Acting) -> FieldCorrection:
    earlier = FieldCorrection.objects.filter(person=person, field=field, ended_on=None).first()
    stored = Person.objects.get(pk=person.pk)
    said = earlier.feed_value if earlier else fact_text(stored, field)
    if earlier:
        earlier.ended_on = frame.today
        earlier.save(update_fields=["ended_on"])
    return FieldCorrection.objects.create(
        person=person, field=field, value=value, feed_value=said, since=frame.today, made_by=frame.by, note=note.strip()[:200]
    )  # fmt: skip


def name_keys_renew(load: RegisterLoad) -> None:
    """Make the search keys anew of those for whom this file gave one name and a correction the other."""
    names = FieldCorrection.objects.filter(field__in=["family_name", "given_names"], person__last_feed=load)
    for person in Person.objects.filter(pk__in=names.values("person")):
        key = name_key_make(person.family_name, person.given_names)
        if key != person.name_key:
            Person.objects.filter(pk=person.pk).update(name_key=key)


def fact_sources(person: Person) -> dict[str, FactSource]:
    """Since when and from where each fact of a person reads as it does: the register, or a correction by hand."""
    columns = (*CORRECTABLE, "deceased_on", "left_area_on")
    with connection.cursor() as cursor:
        cursor.execute(HISTORY.format(columns=", ".join(f"h.{c}" for c in columns)), [person.pk])
        rows = cursor.fetchall()
    first = min((i.valid_from for i in person.identifiers.all()), default=clock.today())
    by_hand = {
        c.field: c
        for c in FieldCorrection.objects.filter(person=person, ended_on=None).select_related("made_by")
    }
    found = {}
    for at, column in enumerate(columns):
        correction = by_hand.get(column)
        if correction is not None:
            found[column] = FactSource(
                column, correction.since, True, correction.made_by.full_name, correction.feed_value
            )
            continue
        since, who = first, ""
        for (
            moment,
            _reason,
            actor,
            *old,
        ) in rows:  # newest first: the first row that held something else ended it
            if old[at] != getattr(person, column):
                since, who = clock.local_day(moment), actor or ""
                break
        found[column] = FactSource(column, since, False, who)
    return found
