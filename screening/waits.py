"""What waits at the register, the invitations, the post and the set-asides."""

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from screening.models import (
    Delivery,
    IntakeSession,
    Protocol,
    RegisterComparison,
    RegisterLoad,
    Return,
)
from screening.services.batches import batches_to_post, replacements_wanted
from screening.services.deaths import deaths_to_decide
from screening.services.due import due_people_count
from screening.services.duplicates import duplicates_open, merges_to_decide
from screening.services.looks import looks_waiting
from screening.services.register_proof import register_freshness
from staff import clock
from staff.waits import Teller, Wait


def register() -> list[Wait]:
    """Files that were looked at and not yet decided."""
    undecided = [RegisterLoad.Status.STAGED, RegisterLoad.Status.HELD]
    files = RegisterLoad.objects.filter(status__in=undecided).count()
    words = ngettext("%(n)s file waits for a decision", "%(n)s files wait for a decision", files)
    told = [Wait(words % {"n": files}, pressing=True)] if files else [Wait(_("no file waits for a decision"))]
    fresh = register_freshness(clock.today())
    if fresh.alarm:
        words = ngettext("no register file for %(n)s day", "no register file for %(n)s days", fresh.days or 0)
        told.append(Wait(words % {"n": fresh.days}, pressing=True))
    last = RegisterComparison.objects.first()
    if last and (last.differing or last.lost):
        told.append(Wait(_("people and register differ"), pressing=True))
    return told


def batches() -> list[Wait]:
    """Who is due, what is packed and not posted, and who wants another kit."""
    due, unposted, wanting = (
        due_people_count(clock.today()),
        batches_to_post().count(),
        replacements_wanted(),
    )
    told = [Wait(ngettext("%(n)s person is due", "%(n)s people are due", due) % {"n": due})]
    if unposted:
        words = ngettext("%(n)s batch is not posted yet", "%(n)s batches are not posted yet", unposted)
        told.append(Wait(words % {"n": unposted}, pressing=True))
    if wanting:
        words = ngettext("%(n)s round wants another kit", "%(n)s rounds want another kit", wanting)
        told.append(Wait(words % {"n": wanting}))
    return told


def post() -> list[Wait]:
    """What came with today's deliveries, and sessions somebody left open."""
    today = Delivery.objects.filter(arrived_at__gte=clock.moment(clock.today()))
    logged = Return.objects.filter(delivery__in=today).exclude(state="undone").count()
    open_sessions = IntakeSession.objects.filter(closed_at__isnull=True, delivery__isnull=False).count()
    words = ngettext("%(n)s kit logged of today's post", "%(n)s kits logged of today's post", logged)
    told = [Wait(words % {"n": logged})]
    if open_sessions:
        words = ngettext("%(n)s session is open", "%(n)s sessions are open", open_sessions)
        told.append(Wait(words % {"n": open_sessions}))
    return told


def set_asides() -> list[Wait]:
    """Set-asides, and those past their day."""
    waiting = Return.objects.filter(state="set_aside")
    all_of_them, late = waiting.count(), waiting.filter(due_on__lt=clock.today()).count()
    told = [Wait(ngettext("%(n)s set-aside", "%(n)s set-asides", all_of_them) % {"n": all_of_them})]
    return told + ([late_by_their_day(late)] if late else [])


def second_look() -> list[Wait]:
    """What waits for a second person."""
    asked = deaths_to_decide().count() + merges_to_decide().count()
    words = ngettext("%(n)s question waits", "%(n)s questions wait", asked) % {"n": asked}
    return [Wait(words, pressing=True)] if asked else [Wait(_("nothing waits"))]


def duplicates() -> list[Wait]:
    """Pairs that somebody has to look at, and those past their hold."""
    pairs = duplicates_open()
    told = [
        Wait(
            ngettext("%(n)s pair to look at", "%(n)s pairs to look at", pairs.count()) % {"n": pairs.count()}
        )
    ]
    late = pairs.filter(hold_until__lt=clock.today()).count()
    return told + ([late_by_their_day(late)] if late else [])


def protocols() -> list[Wait]:
    """Drafts that wait for a second person."""
    drafts = Protocol.objects.filter(carries_screening=True, approved_by=None, withdrawn_at=None).count()
    words = ngettext("%(n)s draft waits for a second person", "%(n)s drafts wait for a second person", drafts)
    return [Wait(words % {"n": drafts}, pressing=True)] if drafts else [Wait(_("no draft waits"))]


def looks() -> list[Wait]:
    """Records opened with a reason that nobody has reviewed, those late, and those not in order without a word of what was done."""
    waiting, late, unanswered = looks_waiting()
    words = ngettext("%(n)s look to review", "%(n)s looks to review", waiting) % {"n": waiting}
    told = [Wait(words)] + ([late_by_their_day(late)] if late else [])
    if unanswered:
        words = ngettext(
            "%(n)s not in order, nothing done yet", "%(n)s not in order, nothing done yet", unanswered
        )
        told.append(Wait(words % {"n": unanswered}, pressing=True))
    return told


def late_by_their_day(n: int) -> Wait:
    """How many are past the day somebody promised."""
    return Wait(ngettext("%(n)s past its day", "%(n)s past their day", n) % {"n": n}, pressing=True)


WAITS: dict[str, Teller] = {
    "screening:register": register,
    "screening:batches": batches,
    "screening:post": post,
    "screening:set-asides": set_asides,
    "screening:duplicates": duplicates,
    "screening:second-look": second_look,
    "screening:protocols": protocols,
    "screening:looks": looks,
}
