"""Settling what a readings file left over, all at once, when one reason stands behind it all."""

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from results.models import InboxLine, InboxMessage, ReadingsFile
from results.services.readings_judging import TAKEN
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

GAP = "sequence_broken"


def lines_left(file: ReadingsFile, verdict: str = "") -> int:
    """How many lines of a file wait for a note, of one verdict or of all; those held by a gap have a way of their own."""
    return _left(file, verdict).count()


def lines_settle(*, by: User, file: ReadingsFile, note: str, verdict: str = "") -> int:
    """Take every refused line of a file (of one verdict, or all) off the list with one note; returns how many.

    For a file that was wrong as a whole. Lines that a gap in the running numbers holds stay. Safe to run twice.
    RoundbookError without a note.
    """
    require_role(by, Role.LABORATORY)
    if not note.strip():
        raise RoundbookError(
            "words_missing", _("Write what was found, so that the lines may leave this list.")
        )
    with acting(by, reason=note.strip()):
        words = _("%(note)s (%(who)s)") % {"note": note.strip()[:120], "who": by}
        settled = _left(file, verdict).update(settled_note=words[:200])
        if not InboxLine.objects.filter(file_id=file.pk, settled_note="").exclude(verdict=TAKEN).exists():
            InboxMessage.objects.filter(file=file, settled_note="").update(settled_note=words[:200])
    return settled


def _left(file: ReadingsFile, verdict: str) -> QuerySet[InboxLine]:
    left = InboxLine.objects.filter(file_id=file.pk, settled_note="").exclude(verdict__in=[TAKEN, GAP])
    return left.filter(verdict=verdict) if verdict else left
