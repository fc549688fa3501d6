"""The office's mail in a rehearsal: plan, freeze, print and hand over everything that may leave today."""

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make
from oversight.rehearsal.crew import Stage

LIMIT = 5_000


def mail_out(stage: Stage, *kinds: str) -> int:
    """Plan and freeze, then print and hand over these kinds (all when none is named); returns how many left."""
    crew = stage.crew
    letters_plan(by=crew.system)
    letters_freeze(by=crew.system, limit=LIMIT)
    left = 0
    for kind in kinds or sorted(set(Letter.objects.filter(state="frozen").values_list("kind", flat=True))):
        while True:
            run = print_run_make(by=crew.office, kind=kind, limit=LIMIT)
            if not run.letters_count:
                break
            left += print_run_hand_over(by=crew.office, print_run=run, without_document=True)
    stage.tally("letters", left)
    return left
