"""Where a vial goes: trays and racks of a session, filled place by place, and their labels; one writer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from string import ascii_uppercase
from typing import Any, cast

from django.db import connection
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from screening.models import Tray, TrayKind
from screening.services.intake_cards import Words
from staff import clock

TRAY_PLACES = 50


@dataclass(frozen=True, slots=True)
class Place:
    """One place in a tray; `tray_id` is None in practice, where nothing is kept."""

    kind: str
    label: str
    position: int
    tray_id: int | None = None

    @property
    def words(self) -> Words:
        """The place as it is said on the screen."""
        words = cast(Any, _PLACE_WORDS[self.kind])
        return format_lazy(words, tray=self.label, place=self.position)


_PLACE_WORDS: dict[str, Words] = {
    TrayKind.RACK: _("tray {tray}, place {place}"),
    TrayKind.ASIDE: _("slot {tray}{place}"),
    TrayKind.OWED: _("waiting rack {tray}, place {place}"),
}


def letters(nth: int) -> str:
    """A, B … Z, AA, AB … for 1, 2 …"""
    text = ""
    while nth > 0:
        nth, rest = divmod(nth - 1, 26)
        text = ascii_uppercase[rest] + text
    return text


def label_for(kind: str, nth: int) -> str:
    """The label of the nth tray of its kind at a site that day."""
    if kind == TrayKind.ASIDE:
        return letters(nth)
    return f"W{nth}" if kind == TrayKind.OWED else str(nth)


def place_next(
    kind: str, *, session: int, site: int | None, trays: Mapping[str, Mapping[str, Any]], now: datetime
) -> Place:
    """The next free place of this kind; a full tray is closed and the next one opened.

    `trays` are the session's open trays by kind (`id`, `label`, `places`, `filled`), read under the session's lock.
    The caller writes the place with the return (`filled` moves on in the same statement).
    """
    tray = trays.get(kind)
    if tray is not None and tray["filled"] < tray["places"]:
        return Place(kind, tray["label"], tray["filled"] + 1, tray["id"])
    opened = tray_open(kind, session=session, site=site, closing=tray["id"] if tray else None, now=now)
    return Place(kind, opened.label, 1, opened.pk)


def tray_open(
    kind: str, *, session: int, site: int | None, closing: int | None, now: datetime, label: str = ""
) -> Tray:
    """Close one tray and open the next; without a label it gets the next of its kind at this site today."""
    if closing is not None:
        Tray.objects.filter(pk=closing).update(closed_at=now)
    return Tray.objects.create(
        session_id=session,
        kind=kind,
        label=label or _label(kind, site, now),
        places=TRAY_PLACES,
        opened_at=now,
    )


def _label(kind: str, site: int | None, now: datetime) -> str:
    """The next label; two desks that open a tray at once wait for each other."""
    morning = clock.moment(clock.local_day(now))
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(726100, %s)", [site or 0])
        cursor.execute(
            "SELECT count(*) FROM screening_tray t JOIN screening_intakesession s ON s.id = t.session_id"
            " JOIN screening_delivery d ON d.id = s.delivery_id"
            " WHERE d.site_id = %s AND t.kind = %s AND t.opened_at >= %s",
            [site, kind, morning],
        )
        return label_for(kind, int(cursor.fetchone()[0]) + 1)


def label_is_taken(label: str, session: int) -> bool:
    """Whether a tray with this label is being filled in another session."""
    return Tray.objects.filter(label=label, closed_at=None).exclude(session_id=session).exists()


def place_of(tray: Tray | None, position: int | None) -> Words:
    """The place of a stored return, in words; empty where it has none."""
    return Place(tray.kind, tray.label, position).words if tray is not None and position else ""
