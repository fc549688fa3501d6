"""Asks for files and makes them in a worker: claimed so that a killed worker's file is made again, once, by another."""

import hashlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime

from django.db import connection, transaction
from django.utils.translation import gettext as _

from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.models import Export
from oversight.services import export_files
from oversight.services.rollup import catch_up
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

LOCKS = 726_320
KEPT = 50
"""So many finished files keep their bytes."""
Maker = Callable[[Asked, datetime, Callable[[int], None]], tuple[bytes, int]]

MAKERS: Mapping[str, tuple[str, Maker]] = {
    Export.Kind.FIGURES: ("csv", export_files.figures_csv),
    Export.Kind.WORKBOOK: ("xlsx", export_files.workbook),
    Export.Kind.EXTRACT: ("zip", export_files.extract),
    Export.Kind.REPORT: ("pdf", export_files.report),
    Export.Kind.OPEN: ("csv", export_files.open_data),
}
"""Kind → ending and what makes it."""


def export_ask(*, by: User, kind: str, asked: Asked) -> Export:
    """Note that a file is wanted; a worker makes it."""
    if kind not in MAKERS:
        raise RoundbookError("no_such_export", _("Choose one of the files in the list."))
    with acting(by, reason="export") as frame:
        return Export.objects.create(
            kind=kind, since=asked.since, until=asked.until, by=asked.by, only=dict(asked.only), asked_at=frame.now,
            asked_by=by,
        )  # fmt: skip


@contextmanager
def _held(pk: int) -> Iterator[bool]:
    """A lock that lives as long as this worker's connection: nobody makes the same file twice at once."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_lock(%s, %s)", [LOCKS, pk % 2**31])
        got = bool(cursor.fetchone()[0])
        try:
            yield got
        finally:
            if got:
                cursor.execute("SELECT pg_advisory_unlock(%s, %s)", [LOCKS, pk % 2**31])


def exports_make(*, limit: int = 5) -> int:
    """Make what is waiting, and what a killed worker left half-made; returns how many files were finished."""
    done = 0
    open_ones = Export.objects.filter(status__in=[Export.Status.WAITING, Export.Status.RUNNING])
    for pk in list(open_ones.order_by("pk").values_list("pk", flat=True)[:limit]):
        with _held(pk) as got:
            if got and Export.objects.filter(pk=pk, status__in=["waiting", "running"]).exists():
                done += _made(pk)
    return done


def _made(pk: int) -> int:
    mine = Export.objects.filter(pk=pk)
    mine.update(status=Export.Status.RUNNING, progress=0)
    one = mine.get()
    asked = Asked(one.since, one.until, one.by, one.only)
    ending, make = MAKERS[one.kind]
    cut_at = catch_up(limit=20_000)

    def tell(progress: int) -> None:
        mine.update(progress=min(max(progress, 0), 99))

    try:
        with transaction.atomic():
            content, rows = make(asked, cut_at, tell)
    except Exception as error:  # noqa: BLE001 - whatever it was, the row says so and the next file is made
        mine.update(
            status=Export.Status.FAILED,
            problem=str(error)[:300] or type(error).__name__,
            finished_at=clock.now(),
        )
        return 0
    mine.update(
        status=Export.Status.DONE, progress=100, content=content, rows=rows, cut_at=cut_at, finished_at=clock.now(),
        sha256=hashlib.sha256(content).hexdigest(), definitions={key: i.digest for key, i in indicators().items()},
        file_name=f"roundbook-{one.kind}-{one.since}-{one.until}.{ending}",
    )  # fmt: skip
    return 1
