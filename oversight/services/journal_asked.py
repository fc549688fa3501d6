"""Old months of the access journal go by two people's word on the page: one asks, another agrees, a worker does it.

The worker holds the whole journal against its seal first, which takes longer than a page may. The command does the same at once.
"""

from django.utils.translation import gettext as _

from oversight.models import AgedOut, AgeingAsked
from oversight.seal.ageing_sql import JOURNAL
from oversight.services.journal_ageing import MAY_AGE_OUT, journal_age_out, journal_leaving, past_before
from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User


def ageing_question() -> AgeingAsked | None:
    """The question of this month, asked or agreed; an older one has lapsed."""
    found = AgeingAsked.objects.filter(name=JOURNAL, before=past_before(clock.today()))
    return found.select_related("asked_by", "agreed_by").first()


def ageing_ask(*, by: User) -> AgeingAsked:
    """Ask that what is past its time goes. Asked again in the same month, the first question is found.

    RoundbookError `nothing_to_go` when no entry is past its time.
    """
    require_role(by, *MAY_AGE_OUT)
    with acting(by, reason="journal: asked to let go") as frame:
        leaving = journal_leaving(frame.today)
        if not leaving.rows:
            raise RoundbookError(
                "nothing_to_go", _("No look is past its time, so there is nothing to ask for.")
            )
        row = AgeingAsked(
            name=JOURNAL, before=leaving.before, rows=leaving.rows, asked_at=frame.now, asked_by=by
        )
        AgeingAsked.objects.bulk_create([row], ignore_conflicts=True)
        return AgeingAsked.objects.get(name=JOURNAL, before=leaving.before)


def ageing_agree(*, by: User, asked: AgeingAsked) -> AgeingAsked:
    """Agree to what another person asked for; a worker lets it go within minutes. Agreed before, it stays as it was.

    RoundbookError: `second_person` for whoever asked, `lapsed` when a new month has begun since.
    """
    require_role(by, *MAY_AGE_OUT)
    if asked.asked_by_id == by.pk:
        raise RoundbookError("second_person", _("You asked for it. Somebody else has to agree."))
    with acting(by, reason="journal: agreed to let go") as frame:
        if asked.before != past_before(frame.today):
            raise RoundbookError(
                "lapsed",
                _("A new month has begun since this was asked. Look at what could go now, and ask again."),
            )
        AgeingAsked.objects.filter(pk=asked.pk, agreed_by=None).update(agreed_by=by, agreed_at=frame.now)
    asked.refresh_from_db()
    return asked


def ageing_do(*, by: User) -> bool:
    """Let go what two people agreed on; True when it went now. Refused, the question says why, and is tried again the next day."""
    today = clock.today()
    asked = ageing_question()
    if asked is None or asked.agreed_by is None or asked.tried_on == today:
        return False
    if AgedOut.objects.filter(name=JOURNAL, before__gte=asked.before).exists():
        return False
    try:
        gone, refused = journal_age_out(by=asked.asked_by, agreed_by=asked.agreed_by), ""
    except RoundbookError as error:
        if error.code == "busy":
            return False
        gone, refused = None, str(error.sentence)[:300]
    with acting(by, reason="journal: tried to let go"):
        AgeingAsked.objects.filter(pk=asked.pk).update(tried_on=today, refused=refused)
    return gone is not None
