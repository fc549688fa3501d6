"""Where practices take notices, and what an administrator does with those that were given up."""

import re
from dataclasses import dataclass

from django.conf import settings
from django.db.models import Count, Max, Min, Q
from django.utils.translation import gettext as _

from outreach.models import Notice, NoticeRoute
from outreach.notice_ways import address_trouble, token_for
from screening.models import Practice
from staff.access import require_role
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Role

FOLDER_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")
SHOWN = 200


@dataclass(frozen=True)
class RouteRow:
    """A practice's way with what waits there; `token` by which its system knows us."""

    route: NoticeRoute
    token: str
    waiting: int
    given_up: int
    oldest: object
    last_taken: object


def notice_route_set(*, by: User, practice: Practice, way: str, address: str = "") -> NoticeRoute:
    """From now on the practice takes notices this way; `off` ends what waits, with a note.

    Letters go on paper as before. RoundbookError for an address that is none, or a practice whose code is no folder's name.
    """
    require_role(by, Role.ADMINISTRATOR)
    address = address.strip()
    if way not in NoticeRoute.Way.values:
        raise RoundbookError("way_unknown", _("Choose how the practice takes notices."))
    if way == NoticeRoute.Way.HTTP and (trouble := address_trouble(address)):
        raise RoundbookError("address", trouble)
    if way == NoticeRoute.Way.FOLDER and not FOLDER_NAME.fullmatch(practice.code):
        raise RoundbookError(
            "folder", _("The practice's code cannot be the name of a folder. Choose an address instead.")
        )
    if way == NoticeRoute.Way.FOLDER and not settings.NOTICE_FOLDER:
        words = _(
            "No folder for notices is set up on this machine (ROUNDBOOK_NOTICE_FOLDER). Ask whoever runs it."
        )
        raise RoundbookError("folder", words)
    given = {
        "way": way, "address": address if way == NoticeRoute.Way.HTTP else "", "set_by": by,
    }  # fmt: skip
    with acting(by, reason="notices to a practice") as frame:
        route, _made = NoticeRoute.objects.update_or_create(
            practice=practice, defaults=given | {"since": frame.today}
        )
        if way == NoticeRoute.Way.OFF:
            note = _("The practice no longer takes notices; the letter went on paper.")
            Notice.objects.filter(practice=practice, state__in=["waiting", "given_up"]).update(
                state=Notice.State.DROPPED, ended_at=frame.now, next_at=None, claimed_until=None, note=note, owner=None,
                pool="", due_on=None,
            )  # fmt: skip
    return route


def routes_listed() -> list[RouteRow]:
    """Every practice that takes or took notices, with what waits."""
    waiting, up, taken = (Q(practice__notices__state=one) for one in ("waiting", "given_up", "taken"))
    rows = NoticeRoute.objects.select_related("practice", "set_by").annotate(
        waiting=Count("practice__notices", filter=waiting), given_up=Count("practice__notices", filter=up),
        oldest=Min("practice__notices__made_at", filter=waiting | up),
        last_taken=Max("practice__notices__ended_at", filter=taken),
    )  # fmt: skip
    return [
        RouteRow(
            one, token_for(practice=one.practice.code, address=one.address) if one.way == "http" else "", one.waiting,
            one.given_up, one.oldest, one.last_taken,
        )
        for one in rows
    ]  # fmt: skip


def notices_queue() -> list[Notice]:
    """What was given up, then what waits; the oldest first, 200 at most."""
    rows = Notice.objects.filter(state__in=["given_up", "waiting"]).select_related(
        "practice", "owner", "letter"
    )
    return list(rows.order_by("state", "due_on", "next_at", "pk")[:SHOWN])


def notices_again(*, by: User, notice: Notice | None = None, practice: Practice | None = None) -> int:
    """Try one notice, or all of a practice that were given up, again from the first attempt on; returns how many."""
    require_role(by, Role.ADMINISTRATOR)
    with acting(by, reason="notice sent again") as frame:
        rows = Notice.objects.filter(Q(state="given_up") | Q(state="waiting", claimed_until=None))
        rows = rows.filter(pk=notice.pk) if notice else rows.filter(practice=practice, state="given_up")
        if notice and Notice.objects.filter(pk=notice.pk, body="").exists():
            raise RoundbookError(
                "not_written", _("This notice could not be written. Tell the practice in another way.")
            )
        changed = rows.exclude(body="").update(
            state=Notice.State.WAITING,
            attempts=0,
            next_at=frame.now,
            claimed_until=None,
            owner=None,
            pool="",
            due_on=None,
        )
    if notice and not changed:
        raise IllegalMove(
            "not_waiting", _("This notice is being sent at this moment, or is settled. Look again.")
        )
    return changed


def notice_settle(*, by: User, notice: Notice, note: str) -> Notice:
    """The practice was told in another way, or needs nothing: the row is closed with a note."""
    require_role(by, Role.ADMINISTRATOR)
    if not note.strip():
        raise RoundbookError("note_missing", _("Write how the practice was told. Nothing was changed."))
    with acting(by, reason=note.strip()[:200]) as frame:
        one = Notice.objects.select_for_update().get(pk=notice.pk)
        if one.state != Notice.State.GIVEN_UP:
            raise IllegalMove("not_given_up", _("Only a notice that was given up is settled by hand."))
        one.state, one.ended_at, one.note = Notice.State.SETTLED, frame.now, note.strip()
        one.owner, one.pool, one.due_on = None, "", None
        one.save(update_fields=Notice.CHANGES)
    return one
