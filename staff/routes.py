"""The deny-by-default table of routes: a page that is not listed cannot be opened by anybody."""

from dataclasses import dataclass, field, replace
from importlib import import_module

from staff.roles import PEOPLE, Role

LARGEST_FORM = 5 * 1024 * 1024
"""Bytes of a request to a page that takes no file (also Django's DATA_UPLOAD_MAX_MEMORY_SIZE)."""
APPS = ("staff", "screening", "results", "outreach", "oversight")


@dataclass(frozen=True)
class Door:
    """Who may open a route: everybody, or who holds one of the roles, a person signed in or a program with its token.

    `writers` are the roles that may POST where they are fewer than may look. A program bound to one site may open only
    a `one_site` route, which shows it that site's things alone. A request of more than `largest` bytes is refused unread;
    a program's door has its own size in its `does`.
    """

    roles: frozenset[Role] = field(default_factory=frozenset)
    public: bool = False
    token: bool = False
    writers: frozenset[Role] | None = None
    one_site: bool = False
    largest: int = LARGEST_FORM

    def lets(self, method: str) -> frozenset[Role]:
        """The roles that may use this method."""
        return self.writers if method == "POST" and self.writers is not None else self.roles


PUBLIC = Door(public=True)
ANY_STAFF = Door(roles=PEOPLE)


def door(*roles: Role) -> Door:
    """A route for these roles only."""
    return Door(roles=frozenset(roles))


def takes_file(door: Door, largest: int) -> Door:
    """The same door, where a file of so many bytes may come (with room for the form around it)."""
    return replace(door, largest=largest + 100_000)


def api_door(*roles: Role, writers: tuple[Role, ...] | None = None, one_site: bool = False) -> Door:
    """A route for programs with a token of one of these roles."""
    may_write = None if writers is None else frozenset(writers)
    return Door(roles=frozenset(roles), token=True, writers=may_write, one_site=one_site)


ROUTES: dict[str, Door] = {
    "staff:accounts": door(Role.ADMINISTRATOR, Role.MANAGER),
    "staff:account-close": door(Role.ADMINISTRATOR),
    "staff:clients": door(Role.ADMINISTRATOR),
    "staff:client-token": door(Role.ADMINISTRATOR),
    "staff:client-revoke": door(Role.ADMINISTRATOR),
    "staff-api:schema": PUBLIC,
    "staff-api:docs": PUBLIC,
    "staff-api:me": api_door(*PEOPLE, one_site=True),
    "staff:sign-in": PUBLIC,
    "staff:sign-out": ANY_STAFF,
    "staff:home": ANY_STAFF,
    "staff:calendar": door(Role.ADMINISTRATOR, Role.MANAGER),
    "staff:calendar-open": door(Role.ADMINISTRATOR, Role.MANAGER),
    "staff:calendar-post": door(Role.ADMINISTRATOR, Role.MANAGER),
    "livez": PUBLIC,
    "readyz": PUBLIC,
}


def route_table() -> dict[str, Door]:
    """The whole table: `ROUTES` of each app's `routes` module."""
    table: dict[str, Door] = {}
    for app in APPS:
        routes: dict[str, Door] = import_module(f"{app}.routes").ROUTES
        doubled = set(routes) & set(table)
        if doubled:
            raise ValueError(f"Routes listed twice: {sorted(doubled)}")
        table |= routes
    return table
