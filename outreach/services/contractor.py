"""A print run for a contractor: one PDF and one CSV under one file id, given once; a second file replaces the first.

The CSV is UTF-8 with a header row: `file_id, run, position, token, pages, first_page, version, checksum`. It holds no name
and no address; those are on the paper alone. The PDF has the pages in the order of `position`.
"""

import csv
import hashlib
import io
import zipfile
from dataclasses import dataclass

from django.utils.translation import gettext_lazy as _

from outreach.models import ContractorFile, PrintDocument, PrintedLetter, PrintRun
from outreach.services.print_runs import pulls_of
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

COLUMNS = ("file_id", "run", "position", "token", "pages", "first_page", "version", "checksum")


def contractor_file_make(*, by: User, print_run: PrintRun, reason: str = "") -> ContractorFile:
    """The file of a run; asked for again it is the same file. With a reason a new file replaces it, under a new id.

    Refused while a stopped letter is in the run: its paper could not be pulled at the contractor's.
    """
    require_role(by, Role.PHONE_DESK, Role.COORDINATOR)
    with acting(by, reason=reason or "file for the contractor") as frame:
        run = PrintRun.objects.select_for_update().get(pk=print_run.pk)
        last = ContractorFile.objects.filter(print_run=run).first()
        if last is not None and not reason.strip():
            return last
        document = PrintDocument.objects.filter(print_run=run).first()
        if document is None or run.status == PrintRun.Status.COLLECTING:
            raise RoundbookError(
                "not_printed", _("This print run has no document yet. Wait until it is ready to print.")
            )
        if run.status == PrintRun.Status.HANDED_OVER:
            raise RoundbookError(
                "handed_over_already", _("This print run has left. It is not given to anybody again.")
            )
        if _stopped_inside(run):
            raise RoundbookError(
                "stopped_inside",
                _("A letter of this run is stopped. Pull it and make a new run; nothing was given."),
            )
        number = ContractorFile.objects.filter(print_run=run).count() + 1
        file_id = f"{run.number}-F{number}"
        return ContractorFile.objects.create(
            print_run=run, file_id=file_id, made_at=frame.now, made_by=by, replaces=last, reason=reason.strip()[:200],
            sha256=hashlib.sha256(_rows(run, file_id) + bytes(document.content)).hexdigest(),
        )  # fmt: skip


def _stopped_inside(run: PrintRun) -> bool:
    """Whether the document holds a letter that may not leave, pulled before or not."""
    return bool(pulls_of(run)) or PrintedLetter.objects.filter(print_run=run).exclude(pulled="").exists()


@dataclass(frozen=True)
class Parcel:
    """What is given: one archive with both files."""

    name: str
    content: bytes


def contractor_parcel(made: ContractorFile) -> Parcel:
    """The archive of a file; the same bytes inside each time."""
    if hasattr(made, "replaced_by"):
        raise RoundbookError(
            "file_replaced",
            _("This file was replaced by %(id)s. Give that one.") % {"id": made.replaced_by.file_id},
        )
    if _stopped_inside(made.print_run):
        raise RoundbookError(
            "stopped_inside",
            _("A letter of this run was stopped since. Do not give the file; make a new run of the others."),
        )
    document = PrintDocument.objects.get(print_run=made.print_run)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for name, content in (
            (f"{made.file_id}.csv", _rows(made.print_run, made.file_id)), (f"{made.file_id}.pdf", bytes(document.content)),
        ):  # fmt: skip
            archive.writestr(zipfile.ZipInfo(name, date_time=(2000, 1, 1, 0, 0, 0)), content)
    return Parcel(f"{made.file_id}.zip", out.getvalue())


def _rows(run: PrintRun, file_id: str) -> bytes:
    out = io.StringIO()
    lines = csv.writer(out, lineterminator="\r\n")
    lines.writerow(COLUMNS)
    places = PrintedLetter.objects.filter(print_run=run).order_by("position")
    wanted = ("position", "token", "pages", "first_page", "letter__text_version", "letter__checksum")
    lines.writerows((file_id, run.number, *row) for row in places.values_list(*wanted))
    return out.getvalue().encode()
