"""What waits in today's mail."""

from django.db.models import Count, Q
from django.utils.translation import ngettext

from outreach.models import Letter, PrintRun
from staff.waits import Teller, Wait


def mail() -> list[Wait]:
    """Letters to print, letters a person must look at, and printed runs still in the building."""
    found = Letter.objects.aggregate(
        ready=Count("pk", filter=Q(state="frozen")), held=Count("pk", filter=Q(state="held"))
    )
    ready, held = found["ready"], found["held"]
    runs = PrintRun.objects.filter(status=PrintRun.Status.READY).count()
    told = [Wait(ngettext("%(n)s letter to print", "%(n)s letters to print", ready) % {"n": ready})]
    if held:
        words = ngettext("%(n)s letter is held", "%(n)s letters are held", held)
        told.append(Wait(words % {"n": held}, pressing=True))
    if runs:
        words = ngettext("%(n)s print run to hand over", "%(n)s print runs to hand over", runs)
        told.append(Wait(words % {"n": runs}))
    return told


WAITS: dict[str, Teller] = {"outreach:mail": mail}
