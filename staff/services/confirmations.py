"""Who may sign in, and who answers for it: live accounts with their last confirmation, and the confirming itself."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from django.db import connection
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.confirmed_sql import CONFIRMED, CONFIRMED_DAYS
from staff.errors import RoundbookError
from staff.models import AccountConfirmation, Posting, User
from staff.roles import Role

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

MAY_CONFIRM = (Role.MANAGER, Role.ADMINISTRATOR)
SOON_DAYS = 14
"""So many days before the last one a confirmation is called for."""
HOW: "dict[str, StrOrPromise]" = {
    "confirmed": gettext_lazy("confirmed"),
    "added": gettext_lazy("account added"),
    "reopened": gettext_lazy("account opened again"),
    "roles": gettext_lazy("roles changed"),
}


@dataclass(frozen=True, slots=True)
class Account:
    """A live account: what its person may do and where, when it was confirmed last and how, by when it must be again.

    `left` is in days, below 0 when late. `ours` says whether this reader may confirm it: not one's own, and at a site one answers for.
    """

    user: User
    postings: list[Posting]
    signed_in: datetime | None
    confirmed_at: datetime | None
    how: "StrOrPromise"
    due_on: date | None
    left: int
    own: bool
    ours: bool

    @property
    def late(self) -> int:
        """Days since the last one on which it could be confirmed in time."""
        return max(-self.left, 0)

    @property
    def soon(self) -> bool:
        """Whether the last day is near."""
        return 0 <= self.left <= SOON_DAYS


def accounts_live(*, by: User) -> list[Account]:
    """Every live account of a person, the one to be confirmed first on top; those of programs have a page of their own."""
    require_role(by, *MAY_CONFIRM)
    told, today = _confirmed(), clock.today()
    sites = _answers_for(by)
    found = User.objects.filter(pk__in=told).prefetch_related("postings__site")
    accounts = [_account(user, *told[user.pk], today=today, by=by, sites=sites) for user in found]
    return sorted(accounts, key=lambda one: (one.left, one.user.full_name))


def nobody_else_confirms(by: User) -> bool:
    """Whether this is the only person who may confirm accounts, so that nobody can confirm theirs."""
    return not User.objects.colleagues(*MAY_CONFIRM).exclude(pk=by.pk).exists()


def accounts_late_soon() -> tuple[int, int]:
    """How many live accounts are past their day, and how many come to it within two weeks."""
    today = clock.today()
    left = [_left(at, today)[1] for at, _how in _confirmed().values()]
    return sum(n < 0 for n in left), sum(0 <= n <= SOON_DAYS for n in left)


def accounts_confirm(*, by: User, user_ids: Iterable[int], words: str = "") -> int:
    """Confirm that these people still work here and need their roles; returns how many confirmations were written.

    Twice on one day writes one. Nobody confirms their own account; who is posted to some sites confirms who works there. An
    account that was closed meanwhile is passed over. RoundbookError: `nothing_ticked`, `own_account`, `other_site`.
    """
    require_role(by, *MAY_CONFIRM)
    asked = set(user_ids)
    if not asked:
        raise RoundbookError("nothing_ticked", _("Tick the people who still work here, then send it again."))
    if by.pk in asked:
        raise RoundbookError(
            "own_account", _("Nobody confirms their own account. Another manager or administrator does.")
        )
    with acting(by, reason="accounts confirmed") as frame:
        live = _confirmed()
        users = list(
            User.objects.filter(pk__in=asked & set(live)).prefetch_related("postings").order_by("pk")
        )
        sites = _answers_for(by)
        if not all(_works_at(user, sites) for user in users):
            raise RoundbookError("other_site", _("You confirm the people of your own sites only."))
        done = set(
            AccountConfirmation.objects.filter(by=by, on=frame.today).values_list("user_id", flat=True)
        )
        rows = [
            AccountConfirmation(user=user, on=frame.today, at=frame.now, by=by, words=words.strip()[:200])
            for user in users
            if user.pk not in done
        ]
        AccountConfirmation.objects.bulk_create(rows, ignore_conflicts=True)
    return len(rows)


def _confirmed() -> dict[int, tuple[datetime | None, str]]:
    """Of each live account, when it was confirmed last and how."""
    with connection.cursor() as cursor:
        cursor.execute(CONFIRMED)
        return {pk: (at, how or "") for pk, _name, at, how in cursor.fetchall()}


def _left(at: datetime | None, today: date) -> tuple[date | None, int]:
    """The last day on which it can be confirmed in time, and the days until then; never confirmed counts as one day late."""
    if at is None:
        return None, -1
    due = clock.local_day(at) + timedelta(days=CONFIRMED_DAYS)
    return due, (due - today).days


def _answers_for(by: User) -> frozenset[int] | None:
    """The sites this manager or administrator answers for; None: every site."""
    sites = frozenset(by.postings.filter(role__in=MAY_CONFIRM).values_list("site_id", flat=True))
    return None if None in sites else frozenset(site for site in sites if site is not None)


def _works_at(user: User, sites: frozenset[int] | None) -> bool:
    return sites is None or any(posting.site_id in sites for posting in user.postings.all())


def _account(
    user: User, at: datetime | None, how: str, *, today: date, by: User, sites: frozenset[int] | None
) -> Account:
    due, left = _left(at, today)
    own = user.pk == by.pk
    return Account(
        user, list(user.postings.all()), user.last_login, at, HOW.get(how, ""), due, left, own,
        not own and _works_at(user, sites),
    )  # fmt: skip
