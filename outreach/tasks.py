"""What the workers do for letters when the bell rings; each step is bounded and safe to run twice."""

from celery import shared_task

from outreach.models import PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.messages import messages_send
from outreach.services.notices import notices_plan, notices_send
from outreach.services.planning import letters_plan
from outreach.services.rendering import print_run_render, print_runs_waiting
from staff.models import User

FREEZE_A_SWEEP = 4_000


@shared_task(name="outreach.sweep")
def sweep() -> None:
    """Plan what the ledgers and days ask for, freeze, send messages, and ring for every print run without a document."""
    system = User.objects.system()
    letters_plan(by=system)
    letters_freeze(by=system, limit=FREEZE_A_SWEEP)
    messages_send(by=system)
    for run_id in print_runs_waiting():
        render_print_run.delay(run_id)


@shared_task(name="outreach.render_print_run")
def render_print_run(run_id: int) -> None:
    """Make the document of one print run; a run that another worker holds, or that has one, is left alone."""
    print_run_render(by=User.objects.system(), print_run=PrintRun.objects.get(pk=run_id))


@shared_task(name="outreach.notices")
def notices() -> None:
    """Make the notices that handed-over letters ask for, and give those that are due; apart, since other systems may be slow."""
    system = User.objects.system()
    notices_plan(by=system)
    notices_send(by=system)
