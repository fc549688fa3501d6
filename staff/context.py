"""What every page's frame shows: who is signed in, where they can go, and what day it is."""

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext_lazy as _

from staff import clock
from staff.models import User
from staff.routes import route_table

PAGES: tuple[tuple[str, Any], ...] = (
    ("screening:register", _("Load the register")),
    ("screening:batches", _("Invite")),
    ("screening:post", _("Log the post")),
    ("screening:set-asides", _("Solve set-asides")),
    ("results:open-day", _("Open the day")),
    ("results:readings", _("Load readings")),
    ("results:release", _("Release results")),
    ("results:asked", _("Agree to a change")),
    ("results:queue", _("Who needs me next")),
    ("results:room", _("Is there room?")),
    ("results:follow-up-policy", _("Change follow-up")),
    ("outreach:mail", _("Today's mail")),
    ("outreach:paper", _("Scan a paper")),
    ("outreach:texts", _("Letter texts")),
    ("screening:duplicates", _("Possible duplicates")),
    ("screening:second-look", _("Second person")),
    ("screening:protocols", _("Change the programme")),
    ("staff:calendar", _("Closed days")),
    ("outreach:desks", _("Desks of areas")),
    ("outreach:notices", _("Notices to practices")),
    ("screening:journal", _("Who opened whose record")),
    ("screening:looks", _("Opened with a reason")),
    ("oversight:dashboard", _("How are we doing?")),
    ("oversight:proof", _("Nobody falls through")),
    ("staff:accounts", _("Who may sign in")),
    ("staff:clients", _("Programs that connect")),
    ("oversight:journal-age", _("Age of the journal")),
)


@dataclass(frozen=True)
class NavItem:
    """One entry of the main navigation."""

    route: str
    label: Any
    url: str
    current: bool


def nav_for(user: User, path: str) -> list[NavItem]:
    """The pages this user may open, in the order of the work."""
    table = route_table()
    items = []
    for name, label in PAGES:
        door = table.get(name)
        if door is None or not user.roles & door.roles:
            continue
        try:
            url = reverse(name)
        except NoReverseMatch:
            continue
        items.append(NavItem(route=name, label=label, url=url, current=path.startswith(url)))
    return items


def frame(request: HttpRequest) -> dict[str, Any]:
    """Template variables of the frame."""
    user = getattr(request, "user", None)
    signed_in = isinstance(user, User)
    search_url = ""
    if isinstance(user, User) and user.roles:
        door = route_table().get("screening:search")
        if door and user.roles & door.roles:
            search_url = reverse("screening:search")
    return {
        "programme_name": settings.PROGRAMME_NAME,
        "programme_phone": settings.PROGRAMME_PHONE,
        "programme_hours": settings.PROGRAMME_HOURS,
        "today": clock.today(),
        "nav": nav_for(user, request.path) if isinstance(user, User) else [],
        "whoami": user.full_name if isinstance(user, User) and signed_in else "",
        "search_url": search_url,
        "banner": "",
    }
