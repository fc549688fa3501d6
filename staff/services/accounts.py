"""Accounts of staff: added, given other roles, closed and opened again; an administrator does it, the first one the system."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import Posting, Site, User
from staff.roles import PEOPLE, Role


@dataclass(frozen=True, slots=True)
class Place:
    """One role, at one site or (empty) at all; as people write it: `laboratory` or `laboratory@Q1`."""

    role: str
    site: str = ""

    @classmethod
    def read(cls, text: str) -> "Place":
        """RoundbookError `role_unknown` when the role is none of those people can hold."""
        role, _at, site = text.partition("@")
        if role not in {one.value for one in PEOPLE}:
            known = ", ".join(sorted(PEOPLE))
            raise RoundbookError(
                "role_unknown", _("There is no role %(r)r. Choose from: %(k)s.") % {"r": role, "k": known}
            )
        return cls(role, site)


def account_add(*, by: User, username: str, full_name: str, password: str, places: Sequence[Place]) -> User:
    """Add a member of staff. The very first one must be an administrator and is added by the system itself."""
    _may(by, places)
    if not username.strip() or not full_name.strip() or not places:
        raise RoundbookError(
            "words_missing", _("Give a sign-in name, the person's name and at least one role.")
        )
    if User.objects.filter(username__iexact=username.strip()).exists():
        raise RoundbookError(
            "name_taken", _("Somebody has that sign-in name. Sign-in names are never given again.")
        )
    with acting(by, reason="account added"):
        user = User(username=username.strip(), full_name=full_name.strip())
        _set_password(user, password)
        user.save()
        _post(user, places)
    return user


def account_roles(*, by: User, user: User, places: Sequence[Place]) -> None:
    """Give somebody these roles instead of those they hold. The last administrator stays one."""
    _may(by, ())
    with acting(by, reason="roles changed"):
        list(User.objects.select_for_update().order_by("pk").values_list("pk", flat=True))
        user.postings.all().delete()
        _post(user, places)
        _an_administrator_is_left()


def account_password(*, by: User, user: User, password: str) -> None:
    """A new password, which ends every session of that person."""
    _may(by, ())
    with acting(by, reason="password set"):
        _set_password(user, password)
        user.save(update_fields=["password"])


def account_active(*, by: User, user: User, active: bool) -> None:
    """Close an account, at once and in every open window, or open it again. What the person did stays theirs."""
    _may(by, ())
    with acting(by, reason="account opened" if active else "account closed"):
        list(User.objects.select_for_update().order_by("pk").values_list("pk", flat=True))
        User.objects.filter(pk=user.pk).update(is_active=active)
        _an_administrator_is_left()


def site_add(*, by: User, code: str, name: str, does: Sequence[str]) -> Site:
    """Add a building; `does` are its tasks among `receives_kits`, `is_laboratory`, `does_colonoscopy`."""
    _may(by, ())
    if Site.objects.filter(code=code).exists():
        raise RoundbookError("name_taken", _("There is a site with that code."))
    with acting(by, reason="site added"):
        return Site.objects.create(code=code, name=name, **dict.fromkeys(does, True))


def first_administrator_missing() -> bool:
    """Whether nobody can administer yet, as in a new installation."""
    return not User.objects.colleagues(Role.ADMINISTRATOR).exists()


def _may(by: User, places: Sequence[Place]) -> None:
    if first_administrator_missing() and by == User.objects.system():
        if places and Role.ADMINISTRATOR not in {one.role for one in places}:
            raise RoundbookError("no_administrator", _("The first account must be an administrator's."))
        return
    require_role(by, Role.ADMINISTRATOR)


def _an_administrator_is_left() -> None:
    if first_administrator_missing():
        raise RoundbookError(
            "no_administrator", _("Nobody could administer then. Make somebody else an administrator first.")
        )


def _set_password(user: User, password: str) -> None:
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise RoundbookError("password_weak", " ".join(error.messages)) from error
    user.set_password(password)


def _post(user: User, places: Sequence[Place]) -> None:
    for place in dict.fromkeys(places):
        site = Site.objects.filter(code=place.site).first() if place.site else None
        if place.site and site is None:
            raise RoundbookError("site_unknown", _("There is no site %(code)r.") % {"code": place.site})
        Posting.objects.create(user=user, role=place.role, site=site)
