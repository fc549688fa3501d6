"""Letters the post brings back: taken up by the token in the window; high results are the same day's task."""

import secrets

from django.utils.translation import gettext_lazy as _

from outreach.catalogue import KINDS
from outreach.letters.tokens import token_read
from outreach.models import Letter, PrintedLetter
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool, Role
from staff.working_days import working_days_after

DESK = (Role.FRONT_DESK, Role.PHONE_DESK, Role.COORDINATOR, Role.ADMINISTRATOR)
WORKING_DAYS = 2
ABOUT_A_HIGH_RESULT = frozenset(
    {
        "result_more_tests", "corrected_result", "tried_to_reach", "appointment", "appointment_reminder",
        "date_cancelled", "missed_examination",
    }
)  # fmt: skip


def letter_of_token(token: str) -> Letter:
    """The letter whose paper carries this token."""
    place = token_read(token)
    printed = (
        PrintedLetter.objects.filter(print_run_id=place[0], position=place[1])
        .select_related("letter")
        .first()
        if place
        else None
    )
    if printed is None:
        raise RoundbookError(
            "token_unknown",
            _("No letter of ours has the token “%(token)s”. Put the paper aside.") % {"token": token},
        )
    return printed.letter


def undelivered_record(*, by: User, token: str) -> Letter:
    """Take up a letter that came back. Scanned again it is the same letter.

    One about a result at or above is due today and belongs to whoever holds the referral, else the coordinators:
    ring the person and the doctor, never just "returned". Any other is the office's within two working days.
    """
    require_role(by, *DESK)
    with acting(by, reason="came back undelivered") as frame:
        letter = Letter.objects.select_for_update(of=("self",)).get(pk=letter_of_token(token).pk)
        if letter.state in ("undelivered", "settled"):
            return letter
        if letter.state != "handed_over":
            raise RoundbookError(
                "never_left", _("This letter has not been handed over yet. Put it back to the sealing desk.")
            )
        came_back(letter, frame, reason="post")
    return letter


def came_back(letter: Letter, frame: Acting, *, reason: str) -> None:
    """Make a letter that did not arrive somebody's task: today's where it is about a result at or above."""
    if is_about_a_high_result(letter):
        owner = (
            letter.referral.owner
            if letter.referral is not None and letter.referral.state != "closed"
            else None
        )
        if owner is not None and owner.is_active:
            make_move(letter, "undelivered", due_on=frame.today, owner=owner, reason=reason)
        else:
            make_move(letter, "undelivered", due_on=frame.today, pool=Pool.COORDINATORS, reason=reason)
        return
    due = working_days_after(frame.today, WORKING_DAYS, frozenset())
    make_move(letter, "undelivered", due_on=due, pool=Pool.OFFICE, reason=reason)


def is_about_a_high_result(letter: Letter) -> bool:
    """Whether a person with a result at or above has not had what we wrote."""
    side = letter.result.side if letter.result is not None else ""
    return letter.kind in ABOUT_A_HIGH_RESULT and (side == "at_or_above" or letter.referral_id is not None)


def undelivered_settle(*, by: User, letter: Letter, note: str, again: bool = False) -> Letter:
    """Settle a letter that came back: reached another way, or written again to the address that was found.

    Written again, it is a new letter with its own key, in the words of today. A letter that goes out with its kit is not:
    another kit brings a letter of its own.
    """
    if again and KINDS[letter.kind].needs_kit:
        raise IllegalMove(
            "goes_with_kit",
            _("This letter goes out with its kit. Send another kit from the person's page, then settle this as reached another way."),
        )  # fmt: skip
    if not note.strip():
        raise RoundbookError(
            "note_missing", _("Write how the person was reached, or which address is right.")
        )
    with acting(by, reason=note) as frame:
        locked = Letter.objects.select_for_update(of=("self",)).get(pk=letter.pk)
        high = locked.owner_id is not None or locked.pool == Pool.COORDINATORS
        require_role(by, *((Role.COORDINATOR, Role.CLINICIAN) if high else DESK))
        make_move(locked, "settle", reason="again" if again else "reached", note=note.strip())
        if again:
            _owed_again(locked, frame)
    return locked


def _owed_again(letter: Letter, frame: Acting) -> Letter:
    """The same letter by post once more, as a new one."""
    again = Letter.objects.create(
        kind=letter.kind, recipient=letter.recipient, person_id=letter.person_id, practice_id=letter.practice_id,
        round_id=letter.round_id, kit_id=letter.kit_id, result_id=letter.result_id, referral_id=letter.referral_id,
        subject_id=letter.subject_id, site_id=letter.site_id, asked=letter.asked,
        key=f"{letter.key[:60]}:again:{secrets.token_hex(3)}",
    )  # fmt: skip
    first = letter.moves.filter(event="owe").values_list("reason", flat=True).first() or "again"
    make_move(again, "owe", due_on=frame.today, pool=Pool.OFFICE, reason=first)
    return again


def kind_in_words(letter: Letter) -> str:
    """The kind of a letter in words."""
    return str(KINDS[letter.kind].name)
