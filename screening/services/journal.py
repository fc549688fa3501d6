"""Reads the access journal: who opened whose record, when, where and for what; the reading is itself journalled."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _

from screening.models import PersonIdentifier
from staff import clock
from staff.access import look_recorded, require_role
from staff.errors import RoundbookError
from staff.models import AccessEntry, Purpose, User
from staff.roles import Role

PLACE = "screening:journal"


@dataclass(frozen=True, slots=True)
class Look:
    """One look at one record, with who looked and the record's present person number."""

    at: datetime
    who: str
    username: str
    person_id: int
    number: str
    why: str
    place: str


def journal_entries(
    *, by: User, since: date | None, until: date | None, user: User | None = None, person_id: int | None = None,
    purpose: str = "",
) -> "QuerySet[AccessEntry]":  # fmt: skip
    """The entries asked for, newest first; only an auditor may. A question about one person is journalled."""
    require_role(by, Role.AUDITOR)
    found = AccessEntry.objects.order_by("-at", "-id")
    if since:
        found = found.filter(at__gte=clock.moment(since))
    if until:
        found = found.filter(at__lt=clock.moment(until + timedelta(days=1)))
    if user:
        found = found.filter(user_id=user.pk)
    if purpose:
        found = found.filter(purpose=purpose)
    if person_id is not None:
        found = found.filter(person_id=person_id)
        with transaction.atomic():
            look_recorded(by=by, person_ids=[person_id], purpose=Purpose.CHECK, place=PLACE)
    return found


def journal_looks(entries: Iterable[AccessEntry]) -> list[Look]:
    """These entries with the names of the staff and the numbers of the people; nobody's name is read."""
    rows = list(entries)
    staff = {u.pk: u for u in User.objects.filter(pk__in={r.user_id for r in rows})}
    numbers = dict(
        PersonIdentifier.objects.filter(person__in={r.person_id for r in rows}, valid_to=None).values_list(
            "person_id", "value"
        )
    )
    looks = []
    for row in rows:
        who = staff.get(row.user_id)
        number = numbers.get(row.person_id, "")
        spaced = " ".join(number[i : i + 4] for i in range(0, len(number), 4))
        name, username = (who.full_name, who.username) if who else (_("unknown"), "")
        why = str(Purpose(row.purpose).label)
        looks.append(Look(row.at, name, username, row.person_id, spaced, why, row.place))
    return looks


def record_of_number(*, by: User, number: str) -> int:
    """The record of a person number, old ones too; RoundbookError when there is none."""
    require_role(by, Role.AUDITOR)
    compact = re.sub(r"[\s-]", "", number)
    found = PersonIdentifier.objects.filter(value=compact).order_by("-valid_from").first()
    if found is None:
        raise RoundbookError("number_unknown", _("Nobody has this person number."))
    return found.person_id
