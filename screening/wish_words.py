"""What a wish does to the open round, in words: said before it is sent, and when it is taken back."""

from collections.abc import Sequence

from django.utils.translation import gettext as _

from screening.eligibility import Eligibility
from screening.models import Round, Stop, StopScope
from staff import clock

ENDED_BY_A_WISH = ("kit_due", "kit_out")


def stop_warning(rounds: Sequence[Round]) -> str:
    """What recording a stop does to the open round; nothing when there is none."""
    return _warning(
        rounds,
        _(
            "A round is open. Stopping invitations and reminders ends it, and taking the stop back later does not open it"
            " again. A kit that comes back is tested all the same."
        ),
    )


def wait_warning(rounds: Sequence[Round]) -> str:
    """What a postponement or an exclusion does to the open round; nothing when there is none."""
    return _warning(rounds, _("A round is open. This ends it. A kit that comes back is tested all the same."))


def _warning(rounds: Sequence[Round], ends: str) -> str:
    if any(r.state in ENDED_BY_A_WISH for r in rounds):
        return ends
    if any(r.state == "result_due" for r in rounds):
        return _("The kit of the open round is back: it is tested and its result is sent all the same.")
    return ""


def taken_back(stop: Stop, rounds: Sequence[Round], answer: Eligibility) -> str:
    """That a stop has ended, what became of the round that it closed, and what comes next."""
    said = [_("The stop has ended today.")]
    if stop.scope != StopScope.INVITATIONS:
        return said[0]
    closed = [r for r in rounds if _closed_by(stop, r)]
    if closed:
        said.append(_("The round that it closed stays closed."))
    if any(k.state == "dispatched" and k.void_on is None for r in closed for k in r.kits.all()):
        said.append(_("If the kit that is still with the person comes back, it is tested."))
    if answer.due:
        said.append(_("Next: this person is due, and a new kit goes out with one of the next batches."))
    else:
        said += [str(answer.sentence), str(answer.would_change)]
    return " ".join(said)


def _closed_by(stop: Stop, round_: Round) -> bool:
    return (
        round_.close_reason == "declined"
        and round_.closed_at is not None
        and clock.local_day(round_.closed_at) >= stop.since
    )
