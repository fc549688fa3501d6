"""What waits at the bench, in the inbox, for release and in the queue."""

from django.db.models import Count, Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from results.calendar_week import calendars_on, capacity
from results.models import AskedSecond, InboxLine, InboxMessage, Run, Sample, SampleTodo
from results.referral_attendance import attendance_missing
from results.referral_queue import open_referrals
from results.services.follow_up_policy import policies_proposed
from results.services.look_back import doubts_without_look_back
from results.services.readings_judging import TAKEN
from results.services.referrals_frame import results_policy_on
from results.services.typed_high import typed_high_waiting
from screening.waits import late_by_their_day
from staff import clock
from staff.waits import Teller, Wait


def open_day() -> list[Wait]:
    """Vials to be measured, and runs that nobody closed."""
    vials = Sample.objects.filter(state__in=["ready", "repeat"]).count()
    vials += SampleTodo.objects.filter(became="ready").count()
    runs = Run.objects.filter(status=Run.Status.OPEN).count()
    told = [Wait(ngettext("%(n)s vial to measure", "%(n)s vials to measure", vials) % {"n": vials})]
    if runs:
        told.append(Wait(ngettext("%(n)s run is open", "%(n)s runs are open", runs) % {"n": runs}))
    return told


def readings() -> list[Wait]:
    """Lines and messages that nobody settled."""
    lines = InboxLine.objects.filter(settled_note="").exclude(verdict=TAKEN).count()
    messages = InboxMessage.objects.filter(settled_note="").exclude(verdict="matched").count()
    told = []
    if lines:
        words = ngettext("%(n)s line waits for an answer", "%(n)s lines wait for an answer", lines)
        told.append(Wait(words % {"n": lines}, pressing=True))
    if messages:
        words = ngettext("%(n)s message waits for an answer", "%(n)s messages wait for an answer", messages)
        told.append(Wait(words % {"n": messages}, pressing=True))
    return told or [Wait(_("nothing waits for an answer"))]


def release() -> list[Wait]:
    """Results to release, and vials the controls hold."""
    found = Sample.objects.aggregate(
        ready=Count("pk", filter=Q(state="ready_to_authorise")), held=Count("pk", filter=Q(state="held"))
    )
    ready, held = found["ready"], found["held"]
    told = [Wait(ngettext("%(n)s result to release", "%(n)s results to release", ready) % {"n": ready})]
    if held:
        words = ngettext("%(n)s vial is held by controls", "%(n)s vials are held by controls", held)
        told.append(Wait(words % {"n": held}, pressing=True))
    if doubts := len(doubts_without_look_back()):
        words = ngettext(
            "%(n)s range of kits in doubt has results", "%(n)s ranges of kits in doubt have results", doubts
        )
        told.append(Wait(words % {"n": doubts}, pressing=True))
    return told


def queue() -> list[Wait]:
    """Open referrals, and those past their next date."""
    found = open_referrals().aggregate(n=Count("pk"), late=Count("pk", filter=Q(due_on__lt=clock.today())))
    words = ngettext("%(n)s person on the way", "%(n)s people on the way", found["n"])
    told = [Wait(words % {"n": found["n"]})]
    unanswered = attendance_missing(clock.now()).count()
    if unanswered:
        words = ngettext(
            "%(n)s booked day is over: attended?", "%(n)s booked days are over: attended?", unanswered
        )
        told.append(Wait(words % {"n": unanswered}, pressing=True))
    typed = len(typed_high_waiting(clock.now()))
    if typed:
        words = ngettext(
            "%(n)s typed reading at or above the cutoff waits",
            "%(n)s typed readings at or above the cutoff wait",
            typed,
        )
        told.append(Wait(words % {"n": typed}, pressing=True))
    return told + ([late_by_their_day(found["late"])] if found["late"] else [])


def room() -> list[Wait]:
    """For how many people the promise cannot be kept, where we keep a calendar."""
    today = clock.today()
    if not calendars_on(today):
        return [Wait(_("the units book"))]
    found = capacity(today, results_policy_on(today))
    if not found.past_promise:
        return [Wait(_("room within the promise for everybody who waits"))]
    words = ngettext(
        "no room within the promise for %(n)s person",
        "no room within the promise for %(n)s people",
        found.past_promise,
    )
    return [Wait(words % {"n": found.past_promise}, pressing=True)]


def follow_up_policy() -> list[Wait]:
    """Proposals that wait for a second person."""
    n = policies_proposed().count()
    if not n:
        return []
    words = ngettext(
        "%(n)s proposal waits for a second person", "%(n)s proposals wait for a second person", n
    )
    return [Wait(words % {"n": n}, pressing=True)]


def asked() -> list[Wait]:
    """Changes that wait for a second person."""
    n = AskedSecond.objects.filter(verdict="").count()
    if not n:
        return [Wait(_("nothing waits"))]
    words = ngettext("%(n)s change waits for a second person", "%(n)s changes wait for a second person", n)
    return [Wait(words % {"n": n}, pressing=True)]


WAITS: dict[str, Teller] = {
    "results:open-day": open_day,
    "results:readings": readings,
    "results:release": release,
    "results:asked": asked,
    "results:queue": queue,
    "results:room": room,
    "results:follow-up-policy": follow_up_policy,
}
