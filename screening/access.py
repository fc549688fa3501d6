"""The only door of this part to a person's record: who may, whom a search finds, and the journal entry of each look."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _

from screening.models import REASONS, Person, PersonIdentifier, ReasonedLook
from screening.querysets import Found, people_found, people_read, person_by_id
from staff import clock
from staff.access import look_recorded, require_role
from staff.acting import acting
from staff.errors import NotFound, RoundbookError
from staff.models import AccessEntry, Purpose, User
from staff.roles import Role

MAY_OPEN = (
    Role.FRONT_DESK, Role.PHONE_DESK, Role.LABORATORY, Role.COORDINATOR, Role.CLINICIAN, Role.MANAGER,
)  # fmt: skip
"""Roles that ever see an identified person; the route table decides which page. Administrators and auditors do not."""


@dataclass(frozen=True)
class SearchAnswer:
    """Whom a search found, and a sentence when it found nobody or could not be understood."""

    found: list[Found]
    sentence: str = ""
    more: bool = False


NOTE_CHARACTERS = 60
"""How long the words are with which somebody says why a record is opened; they stand beside the place in the journal."""


def reason_owed(*, by: User, person_id: int) -> bool:
    """Whether this user must say why before opening the person: she stood on none of the user's lists today, nor was opened.

    A search finds anybody, so having been found is no reason. Source: the programme's job description 9 (purpose line).
    """
    person = person_by_id(person_id)
    if person is None:
        return False
    seen = AccessEntry.objects.filter(user_id=by.pk, person_id=person.pk, at__gte=clock.moment(clock.today()))
    return not seen.exclude(purpose=Purpose.SEARCH).exists()


def person_open(*, by: User, person_id: int, purpose: str, place: str) -> Person:
    """The person, journalled in the transaction that reads; a merged record opens the one it was merged into."""
    require_role(by, *MAY_OPEN)
    with transaction.atomic():
        person = person_by_id(person_id)
        if person is None:
            raise NotFound("person_unknown", _("There is no such person in the register."))
        look_recorded(by=by, person_ids=[person.pk], purpose=purpose, place=place)
        return person


def person_open_with_reason(*, by: User, person_id: int, purpose: str, words: str = "") -> Person:
    """Open somebody who is on none of one's lists: the look with its reason goes into the journal, and to the auditor for review.

    Both in the transaction that reads; said again on the same day, the first reason stands. RoundbookError `reason_missing`
    unless `purpose` is one that may be given. Source: the programme's job description 9 (purpose line, break-glass).
    """
    if purpose not in REASONS:
        raise RoundbookError("reason_missing", _("Say why you open this record: choose one of the reasons."))
    words = words.strip()[:NOTE_CHARACTERS]
    with acting(by, reason="record opened with a reason") as frame:
        place = f"screening:person ({words})" if words else "screening:person"
        person = person_open(by=by, person_id=person_id, purpose=purpose, place=place)
        look = ReasonedLook(
            person=person, user=by, day=frame.today, at=frame.now, purpose=purpose, words=words
        )
        ReasonedLook.objects.bulk_create([look], ignore_conflicts=True)
        return person


def people_readable(*, by: User) -> QuerySet[Person]:
    """The people whose records this user may read; the caller journals whom it shows, in the same transaction."""
    require_role(by, *MAY_OPEN)
    return people_read()


def person_of_document(*, number: str, birth_date: date) -> Person | None:
    """The person whom number and birth date on a document name together, or nobody; tells no more than that.

    The caller opens the person with `person_open` before anything is shown or written. Old numbers count; a merged record
    gives the one it was merged into.
    """
    found = PersonIdentifier.objects.filter(value=number, person__birth_date=birth_date).first()
    return person_by_id(found.person_id) if found else None


def people_listed(*, by: User, person_ids: Iterable[int], place: str, purpose: str = Purpose.WORKLIST) -> int:
    """Journal that these people stand on a list somebody looks at; call in the transaction that reads them."""
    return look_recorded(by=by, person_ids=person_ids, purpose=purpose, place=place)


def people_search(*, by: User, text: str) -> SearchAnswer:
    """Find people by kit serial, person number, name with birth year or birth date, or phone; everybody shown is journalled."""
    require_role(by, *MAY_OPEN)
    with transaction.atomic():
        found, sentence, more = people_found(text)
        look_recorded(by=by, person_ids=[f.person.pk for f in found], purpose=Purpose.SEARCH, place="search")
        return SearchAnswer(found, sentence, more)
