"""What waits in today's mail."""

from django.db.models import Count, Q
from django.utils.translation import ngettext

from outreach.models import Letter, LetterText, Notice, PrintRun
from staff import clock
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


def paper() -> list[Wait]:
    """Letters and messages that came back and are not settled."""
    back = Letter.objects.filter(state="undelivered").aggregate(
        n=Count("pk"), due=Count("pk", filter=Q(due_on__lte=clock.today()))
    )
    if not back["n"]:
        return []
    words = ngettext("%(n)s letter came back", "%(n)s letters came back", back["n"])
    return [Wait(words % {"n": back["n"]}, pressing=bool(back["due"]))]


def texts() -> list[Wait]:
    """Letter texts that wait for a second person."""
    drafts = LetterText.objects.filter(approved_by=None).count()
    if not drafts:
        return []
    words = ngettext("%(n)s letter text to approve", "%(n)s letter texts to approve", drafts)
    return [Wait(words % {"n": drafts})]


def notices() -> list[Wait]:
    """Notices to doctors' systems that were given up, and those that wait."""
    found = Notice.objects.filter(state__in=["given_up", "waiting"]).aggregate(
        up=Count("pk", filter=Q(state="given_up")), waiting=Count("pk", filter=Q(state="waiting"))
    )
    told = []
    if found["up"]:
        words = ngettext("%(n)s notice was given up", "%(n)s notices were given up", found["up"])
        told.append(Wait(words % {"n": found["up"]}, pressing=True))
    if found["waiting"]:
        words = ngettext("%(n)s notice waits", "%(n)s notices wait", found["waiting"])
        told.append(Wait(words % {"n": found["waiting"]}))
    return told


WAITS: dict[str, Teller] = {
    "outreach:mail": mail,
    "outreach:paper": paper,
    "outreach:texts": texts,
    "outreach:notices": notices,
}
