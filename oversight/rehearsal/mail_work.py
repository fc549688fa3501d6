"""The office's mail in a rehearsal: plan, freeze, print and hand over everything that may leave today."""

from datetime import date

from outreach.models import PrintedLetter
from outreach.services.freezing import letters_freeze
from outreach.services.packs import MANIFEST_COLUMNS, manifest_take
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make
from oversight.rehearsal.crew import Stage
from screening.models import Batch
from screening.services.packing import packs_missing_out
from staff.models import User

LIMIT = 5_000
PACKS_A_TRAY = 100


def invitations_out(stage: Stage, batch: Batch) -> int:
    """The invitations of one batch alone, printed and handed over with their kits; returns how many left."""
    crew = stage.crew
    letters_plan(by=crew.system, batch_id=batch.pk)
    letters_freeze(by=crew.system, limit=LIMIT, kind="invitation")
    return _printed(stage, "invitation")


def packed_by_contractor(by: User, batch: Batch, day: date) -> None:
    """The mailing house's file of a batch: every letter with its kit; a kit whose letter is held is taken out."""
    pairs = PrintedLetter.objects.filter(
        letter__round__batch=batch, letter__kind="invitation", pulled=""
    ).order_by("letter__kit__serial")
    rows = [
        f"{batch.number},T{n // PACKS_A_TRAY + 1},{token},{serial},{day}"
        for n, (token, serial) in enumerate(pairs.values_list("token", "letter__kit__serial"))
    ]
    if rows:
        content = "\r\n".join([",".join(MANIFEST_COLUMNS), *rows, ""]).encode()
        manifest_take(by=by, name=f"packed-{batch.number}.csv", content=content)
    packs_missing_out(by=by, batch=batch)


def mail_out(stage: Stage) -> int:
    """Plan and freeze, then print and hand over whatever may leave now, in one print run; returns how many left."""
    crew = stage.crew
    letters_plan(by=crew.system)
    letters_freeze(by=crew.system, limit=LIMIT)
    return _printed(stage, "")


def _printed(stage: Stage, kind: str) -> int:
    crew = stage.crew
    run = print_run_make(by=crew.office, kind=kind, limit=LIMIT)
    left = (
        print_run_hand_over(by=crew.office, print_run=run, without_document=True) if run.letters_count else 0
    )
    stage.tally("letters", left)
    return left
