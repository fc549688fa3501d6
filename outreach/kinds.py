"""What a letter kind is: the stops, their words and outcomes, the timing, and the shape of a declaration. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

PERSON, DOCTOR, SITE, PROGRAMME = "person", "doctor", "site", "programme"
AT_OR_ABOVE = "at_or_above"
POST, MESSAGE = "post", "message"


class StopCode(StrEnum):
    """Why a letter may not leave, the most decisive first; also the reason written in the ledger."""

    RESULT_SUPERSEDED = "result_superseded"
    REASON_OVERTAKEN = "reason_overtaken"
    DIED = "died"
    MERGED = "merged"
    DUPLICATE = "duplicate"
    OPTED_OUT = "opted_out"
    LEFT_AREA = "left_area"
    ROUND_OVER = "round_over"
    KIT_BACK = "kit_back"
    QUESTION_ANSWERED = "question_answered"
    MOVED_ON = "moved_on"
    OBJECTS_CHANNEL = "objects_channel"
    NO_CONSENT = "no_consent"
    KIT_VOID = "kit_void"
    OBJECTS_DOCTOR_COPY = "objects_doctor_copy"
    EARLIER_QUESTION_OPEN = "earlier_question_open"
    IN_SURVEILLANCE = "in_surveillance"
    UNDER_LOOK_BACK = "under_look_back"
    TOLD_BELOW_BEFORE = "told_below_before"
    CANCER_FOUND = "cancer_found"
    TELL_BY_PHONE_FIRST = "tell_by_phone_first"
    NO_PRACTICE = "no_practice"
    HIDDEN_ADDRESS = "hidden_address"
    NO_ADDRESS = "no_address"


STOP_WORDS: Mapping[StopCode, "StrOrPromise"] = {
    StopCode.RESULT_SUPERSEDED: _("The result was withdrawn or replaced by a newer one."),
    StopCode.REASON_OVERTAKEN: _("Its reason was undone, or a later one has a letter of its own."),
    StopCode.DIED: _("The person has died. Nothing goes to the home."),
    StopCode.MERGED: _("This record was merged into another. Check which record the letter belongs to."),
    StopCode.DUPLICATE: _("The same letter exists already."),
    StopCode.OPTED_OUT: _("The person asked for no more invitations."),
    StopCode.LEFT_AREA: _("The person has left the area. Check that the address is the new one."),
    StopCode.ROUND_OVER: _("The round is no longer waiting for a kit."),
    StopCode.KIT_BACK: _("The kit has come back."),
    StopCode.QUESTION_ANSWERED: _("The question about the kit is answered."),
    StopCode.MOVED_ON: _("What it speaks of is over: the date, the wait or the decision has changed."),
    StopCode.OBJECTS_CHANNEL: _("The person does not want messages by this way."),
    StopCode.NO_CONSENT: _(
        "The person has not agreed to messages by this way, or left no number or address."
    ),
    StopCode.KIT_VOID: _("The kit named in the letter is void. Release it to print it with the new kit."),
    StopCode.OBJECTS_DOCTOR_COPY: _(
        "The person does not want a copy sent to the doctor. Talk with the person first."
    ),
    StopCode.EARLIER_QUESTION_OPEN: _(
        "An earlier result at or above the cutoff has no finished follow-up. A clinician must look first."
    ),
    StopCode.IN_SURVEILLANCE: _("The person is in surveillance. A clinician must look at this result first."),
    StopCode.UNDER_LOOK_BACK: _(
        "The laboratory is looking back at this result. It waits until that is settled."
    ),
    StopCode.TOLD_BELOW_BEFORE: _(
        "The person was told “below” for this round. Ring first and explain; then let the letter go."
    ),
    StopCode.CANCER_FOUND: _(
        "A cancer is told by a clinician, face to face or by phone, before any letter. Release it once that was done."
    ),
    StopCode.TELL_BY_PHONE_FIRST: _(
        "The person was told another result before. The medical lead rings first and explains; then let it go."
    ),
    StopCode.NO_PRACTICE: _("No practice is known. Tell the person's doctor in another way."),
    StopCode.HIDDEN_ADDRESS: _(
        "The address is protected. Release it only to carry the letter by the protected route."
    ),
    StopCode.NO_ADDRESS: _("No full address is known. Find the address first."),
}

CLEARABLE = frozenset(
    {
        StopCode.LEFT_AREA, StopCode.OPTED_OUT, StopCode.OBJECTS_DOCTOR_COPY, StopCode.EARLIER_QUESTION_OPEN,
        StopCode.IN_SURVEILLANCE, StopCode.TOLD_BELOW_BEFORE, StopCode.CANCER_FOUND, StopCode.HIDDEN_ADDRESS, StopCode.TELL_BY_PHONE_FIRST,
    }
)  # fmt: skip
"""A person may look at these and let the letter go; the others must be put right in the record first."""


class Outcome(StrEnum):
    """What a stop does to a letter that has not left."""

    CANCEL = "cancel"
    SUPERSEDE = "supersede"
    HOLD_OFFICE = "hold_office"
    HOLD_COORDINATORS = "hold_coordinators"


@dataclass(frozen=True)
class Timing:
    """When a letter is due, counted from its trigger."""

    working_days: int = 1
    by_policy: bool = False
    """Take the working days of the outreach policy for results below."""
    landing: bool = False
    """At or above: handed over no earlier than the day from which it lands well (R11)."""


@dataclass(frozen=True)
class Kind:
    """One letter kind. A new one is one of these and a text; its trigger is a line of `outreach.triggers`."""

    code: str
    number: int
    """Its number in the catalogue of the job (section 6)."""
    name: "StrOrPromise"
    purpose: "StrOrPromise"
    recipient: str
    trigger: "StrOrPromise"
    """What calls for it, in words."""
    timing: Timing
    stops: Mapping[StopCode, Outcome]
    stops_at_or_above: Mapping[StopCode, Outcome] = field(default_factory=dict)
    fields: tuple[str, ...] = ()
    """What its text may say beside what every letter says."""
    needs_kit: bool = False
    pages: int = 1
    """Pages it usually has; the renderer measures and puts it right when it differs."""
    cautions: frozenset[str] = frozenset()
    """Marks its text must carry; a test holds every variant to them."""
    while_referral: frozenset[str] = frozenset()
    """States of the referral in which it still makes sense; empty: any."""
    channel: str = POST
    """`post` for paper; `message` for a text message or an e-mail, by what the person agreed to."""
    beside: str = ""
    """For a message: the letter it goes with, for people who agreed to messages; it never takes that letter's place."""
    every_variant: bool = False
    """Has a text in every language and form; the others only in the default language."""

    def stops_for(self, side: str) -> Mapping[StopCode, Outcome]:
        """What stops it, for a result on this side of the cutoff (empty: no result)."""
        return self.stops_at_or_above if side == AT_OR_ABOVE and self.stops_at_or_above else self.stops
