"""The deny-by-default table of routes: a page that is not listed cannot be opened by anybody."""

from dataclasses import dataclass, field
from importlib import import_module

from staff.roles import PEOPLE, Role

APPS = ("staff", "screening", "results", "outreach", "oversight")


@dataclass(frozen=True)
class Door:
    """Who may open a route: everybody, anybody signed in with one of the roles."""

    roles: frozenset[Role] = field(default_factory=frozenset)
    public: bool = False


PUBLIC = Door(public=True)
ANY_STAFF = Door(roles=PEOPLE)


def door(*roles: Role) -> Door:
    """A route for these roles only."""
    return Door(roles=frozenset(roles))


ROUTES: dict[str, Door] = {
    "staff:sign-in": PUBLIC,
    "staff:sign-out": ANY_STAFF,
    "staff:home": ANY_STAFF,
    "staff:calendar": door(Role.ADMINISTRATOR, Role.MANAGER),
    "staff:calendar-open": door(Role.ADMINISTRATOR, Role.MANAGER),
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
