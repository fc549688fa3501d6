"""The only door to a person's record: who may, and the journal entry in the transaction that reads."""

from collections.abc import Iterable

from django.db import connection
from django.utils.translation import gettext_lazy as _

from staff import clock
from staff.errors import NotAllowed
from staff.models import AccessEntry, User


def user_holds(user: User, roles: Iterable[str]) -> bool:
    """Whether the user holds any of these roles at any site."""
    return bool(user.roles & {str(role) for role in roles})


def require_role(user: User, *roles: str) -> None:
    """Raise NotAllowed (403) unless the user is active and holds one of the roles."""
    if not user.is_active or not user_holds(user, roles):
        raise NotAllowed(
            "role_missing", _("Your account is not allowed to do this. Ask your administrator."), roles=roles
        )


def look_recorded(*, by: User, person_ids: Iterable[int], purpose: str, place: str) -> int:
    """Append one journal entry for each person shown; call inside the transaction that reads them.

    `place` names the page or list. Returns how many entries were written.
    """
    rows = [(clock.now(), by.pk, person_id, purpose, place[:80]) for person_id in dict.fromkeys(person_ids)]
    if not rows:
        return 0
    table = AccessEntry._meta.db_table
    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {table} (at, user_id, person_id, purpose, place) VALUES (%s, %s, %s, %s, %s)", rows
        )
    return len(rows)
