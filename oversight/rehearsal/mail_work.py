"""The office's mail in a rehearsal: plan, freeze, print and hand over everything that may leave today."""

from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make
from oversight.rehearsal.crew import Stage
from screening.models import Batch

LIMIT = 5_000


def invitations_out(stage: Stage, batch: Batch) -> int:
    """The invitations of one batch alone, printed and handed over with their kits; returns how many left."""
    crew = stage.crew
    letters_plan(by=crew.system, batch_id=batch.pk)
    letters_freeze(by=crew.system, limit=LIMIT, kind="invitation")
    return _printed(stage, "invitation")


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
