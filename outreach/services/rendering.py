"""Makes the document of a print run, exactly once, and single letters on demand."""

import hashlib
import logging
from collections.abc import Sequence
from datetime import timedelta

from django.db import connection
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from outreach.letters.render import Rendered, Sheet, letters_render
from outreach.models import Letter, PrintDocument, PrintedLetter, PrintRun
from outreach.services.print_runs import LETTERS_A_DOCUMENT
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

log = logging.getLogger(__name__)
LEASE = timedelta(minutes=3)
"""Many times what one document takes; a document made twice by a slow worker is still stored once."""
ATTEMPTS = 5


def print_run_render(*, by: User, print_run: PrintRun) -> PrintRun:
    """Make and store the run's document from the frozen letters; a run that has one is returned as it is.

    One worker at a time holds the run by a lease; when it dies the lease runs out and the next sweep takes the run
    up again. The document is stored under a unique key, so two workers can never leave two. Works for runs handed
    over long ago as well.
    """
    run = _claimed(by=by, run_id=print_run.pk)
    if run is None:
        return PrintRun.objects.get(pk=print_run.pk)
    try:
        rendered = letters_render(_sheets(run), title=f"Print run {run.number}")
    except (RoundbookError, OSError) as trouble:
        _lease_returned(by=by, run=run)
        log.warning("Print run %s could not be laid out: %s", run.number, trouble)
        raise
    return _stored(by=by, run=run, rendered=rendered)


def _claimed(*, by: User, run_id: int) -> PrintRun | None:
    with acting(by) as frame:
        run = PrintRun.objects.select_for_update().get(pk=run_id)
        if PrintDocument.objects.filter(print_run=run).exists():
            return None
        if run.letters_count > LETTERS_A_DOCUMENT:
            raise RoundbookError(
                "too_many_letters",
                _(
                    "This print run holds %(count)s letters, too many for one document. Open single letters instead."
                )
                % {"count": run.letters_count},
            )
        if run.lease_until and run.lease_until > frame.now:
            return None
        run.lease_until = frame.now + LEASE
        run.attempts += 1
        run.save(update_fields=["lease_until", "attempts"])
        return run


def _lease_returned(*, by: User, run: PrintRun) -> None:
    with acting(by):
        PrintRun.objects.filter(pk=run.pk, lease_until=run.lease_until).update(lease_until=None)


def _sheets(run: PrintRun) -> list[Sheet]:
    printed = PrintedLetter.objects.filter(print_run=run).order_by("position")
    rows = printed.values_list("token", "letter__text_version", "letter__context", "letter__checksum")
    return [Sheet(token, version, context or {}, checksum) for token, version, context, checksum in rows]


def _stored(*, by: User, run: PrintRun, rendered: Rendered) -> PrintRun:
    with acting(by):
        locked = PrintRun.objects.select_for_update().get(pk=run.pk)
        if PrintDocument.objects.filter(print_run=locked).exists():
            return locked
        PrintDocument.objects.create(print_run=locked, content=rendered.content)
        _pages_written(locked, rendered.pages)
        locked.sha256 = hashlib.sha256(rendered.content).hexdigest()
        locked.pages_count = sum(rendered.pages)
        locked.lease_until = None
        if locked.status == PrintRun.Status.COLLECTING:
            locked.status = PrintRun.Status.READY
        locked.save(update_fields=["sha256", "pages_count", "lease_until", "status"])
    return locked


def _pages_written(run: PrintRun, pages: Sequence[int]) -> None:
    firsts = [1 + sum(pages[:place]) for place in range(len(pages))]
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE outreach_printedletter x SET first_page = w.first, pages = w.pages"
            " FROM unnest(%s::int[], %s::int[], %s::int[]) AS w(place, first, pages)"
            " WHERE x.print_run_id = %s AND x.position = w.place",
            [list(range(1, len(pages) + 1)), firsts, list(pages), run.pk],
        )


def print_runs_waiting(limit: int = 10) -> list[int]:
    """Runs that need a document and that no worker holds; one that failed too often waits for a person."""
    free = Q(lease_until=None) | Q(lease_until__lte=clock.now())
    waiting = PrintRun.objects.filter(
        free, status=PrintRun.Status.COLLECTING, attempts__lt=ATTEMPTS, document=None
    )
    return list(waiting.order_by("made_at").values_list("pk", flat=True)[:limit])


def print_run_try_again(*, by: User, print_run: PrintRun) -> None:
    """Give a run that failed too often a new set of attempts, once a person has looked."""
    with acting(by):
        PrintRun.objects.filter(pk=print_run.pk, document=None).update(attempts=0, lease_until=None)


def letter_render(*, letter: Letter) -> Rendered:
    """One letter as it was frozen, as a document of its own; refuses a letter whose words are not fixed yet."""
    if not letter.checksum or letter.context is None:
        raise RoundbookError("not_frozen", _("The words of this letter are not fixed yet."))
    printed = letter.printed.order_by("-pk").first()
    token = printed.token if printed else f"L{letter.pk}"
    return letters_render(
        [Sheet(token, letter.text_version, letter.context, letter.checksum)], title="Letter"
    )
