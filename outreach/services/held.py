"""What a person decides about a held letter: let it go, or cancel it."""

from django.utils.translation import gettext_lazy as _

from outreach.kinds import CLEARABLE, STOP_WORDS, StopCode
from outreach.models import Letter
from outreach.services.stopping import stops_found
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool, Role


def _mine_to_decide(by: User, letter: Letter) -> None:
    """A letter held for the coordinators is decided by a coordinator or a clinician, not by the office."""
    if letter.owner_id is not None or letter.pool == Pool.COORDINATORS:
        require_role(by, Role.COORDINATOR, Role.CLINICIAN)
    else:
        require_role(by, Role.PHONE_DESK, Role.COORDINATOR, Role.ADMINISTRATOR)


def held_because(letter: Letter) -> str:
    """The reason of the hold as it stands in the ledger."""
    last = letter.moves.filter(event="hold").order_by("-seq").first()
    return last.reason if last else ""


def letter_release(*, by: User, letter: Letter, note: str) -> Letter:
    """Let a held letter go on after a look; it is frozen anew. Needs a note of what was checked.

    The stop it was held for is passed over from now on when a person may clear it; any other must be put right in
    the record first.
    """
    if not note.strip():
        raise RoundbookError("note_missing", _("Write what you checked before you let the letter go."))
    with acting(by, reason=note) as frame:
        locked = Letter.objects.select_for_update(of=("self",)).get(pk=letter.pk)
        _mine_to_decide(by, locked)
        reason = held_because(locked)
        stop = stops_found([locked.pk]).get(locked.pk)
        if stop is not None and not (stop.code in CLEARABLE and stop.code == reason):
            raise RoundbookError(
                "still_stopped",
                _("This still stops the letter: %(why)s") % {"why": STOP_WORDS[stop.code]},
                stop=stop.code,
            )
        make_move(locked, "release", due_on=frame.today, pool=Pool.OFFICE, reason=reason, note=note.strip())
    return locked


def letter_cancel(*, by: User, letter: Letter, note: str) -> Letter:
    """Cancel a held letter for good; needs a note of how the person is told instead, or why not."""
    if not note.strip():
        raise RoundbookError(
            "note_missing", _("Write why the letter is not needed, or how the person was told.")
        )
    with acting(by, reason=note):
        locked = Letter.objects.select_for_update(of=("self",)).get(pk=letter.pk)
        if locked.state == "held":
            _mine_to_decide(by, locked)
        make_move(locked, "cancel", reason=held_because(locked) or "decided", note=note.strip())
    return locked


def words_of(reason: str) -> str:
    """The reason of a hold or cancellation in words."""
    extra = {
        "letter_incomplete": _(
            "Something the letter needs is missing: the name, the address or the practice."
        ),
        "letter_unresolved": _(
            "The record holds marks that do not belong in a letter. Correct the name or address."
        ),
        "letter_too_long": _(
            "A text is too long for its box on the paper. Shorten it, or write to the person yourself."
        ),
        "letter_greeting": _("The name cannot be used in a greeting. Correct the name."),
    }
    if reason in StopCode.__members__.values():
        return str(STOP_WORDS[StopCode(reason)])
    return str(extra.get(reason, reason.replace("_", " ")))
