"""The letter kinds, each a small declaration: purpose, recipient, timing, what stops it, its cautions. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

PERSON, DOCTOR = "person", "doctor"
AT_OR_ABOVE = "at_or_above"


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
    KIT_VOID = "kit_void"
    OBJECTS_DOCTOR_COPY = "objects_doctor_copy"
    EARLIER_QUESTION_OPEN = "earlier_question_open"
    IN_SURVEILLANCE = "in_surveillance"
    UNDER_LOOK_BACK = "under_look_back"
    TOLD_BELOW_BEFORE = "told_below_before"
    CANCER_FOUND = "cancer_found"
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
    StopCode.NO_PRACTICE: _("No practice is known. Tell the person's doctor in another way."),
    StopCode.HIDDEN_ADDRESS: _(
        "The address is protected. Release it only to carry the letter by the protected route."
    ),
    StopCode.NO_ADDRESS: _("No full address is known. Find the address first."),
}

CLEARABLE = frozenset(
    {
        StopCode.LEFT_AREA, StopCode.OPTED_OUT, StopCode.OBJECTS_DOCTOR_COPY, StopCode.EARLIER_QUESTION_OPEN,
        StopCode.IN_SURVEILLANCE, StopCode.TOLD_BELOW_BEFORE, StopCode.CANCER_FOUND, StopCode.HIDDEN_ADDRESS,
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
    """One letter kind. A new one is one of these, a context and a text."""

    code: str
    name: "StrOrPromise"
    purpose: "StrOrPromise"
    recipient: str
    timing: Timing
    stops: Mapping[StopCode, Outcome]
    stops_at_or_above: Mapping[StopCode, Outcome] = field(default_factory=dict)
    needs_kit: bool = False
    pages: int = 1
    """Pages it usually has; the renderer measures and puts it right when it differs."""
    cautions: frozenset[str] = frozenset()
    """Marks (`data-says`) its text must carry; a test holds every variant to them."""

    def stops_for(self, side: str) -> Mapping[StopCode, Outcome]:
        """What stops it, for a result on this side of the cutoff (empty: no result)."""
        return self.stops_at_or_above if side == AT_OR_ABOVE and self.stops_at_or_above else self.stops


_OFFER: Mapping[StopCode, Outcome] = {
    StopCode.DIED: Outcome.CANCEL,
    StopCode.MERGED: Outcome.CANCEL,
    StopCode.DUPLICATE: Outcome.CANCEL,
    StopCode.OPTED_OUT: Outcome.CANCEL,
    StopCode.LEFT_AREA: Outcome.CANCEL,
    StopCode.ROUND_OVER: Outcome.CANCEL,
    StopCode.KIT_BACK: Outcome.CANCEL,
    StopCode.HIDDEN_ADDRESS: Outcome.HOLD_OFFICE,
    StopCode.NO_ADDRESS: Outcome.HOLD_OFFICE,
}
_TOLD: Mapping[StopCode, Outcome] = {
    StopCode.RESULT_SUPERSEDED: Outcome.SUPERSEDE,
    StopCode.DUPLICATE: Outcome.CANCEL,
}
_WITH_KIT = {StopCode.KIT_VOID: Outcome.HOLD_OFFICE}
_CARE = frozenset({"contact", "symptoms"})

INVITATION = Kind(
    code="invitation",
    name=_("Invitation with kit"),
    purpose=_("Offers the test, with the kit in the same envelope."),
    recipient=PERSON,
    timing=Timing(working_days=1),
    stops={**_OFFER, **_WITH_KIT},
    needs_kit=True,
    pages=2,
    cautions=_CARE | {"choice", "not_perfect", "stop_or_postpone"},
)
REMINDER = Kind(
    code="reminder",
    name=_("Reminder"),
    purpose=_("Asks once more when no kit has come back."),
    recipient=PERSON,
    timing=Timing(working_days=2),
    stops=_OFFER,
    cautions=_CARE | {"choice", "crossed_in_post", "stop_or_postpone"},
)
REPLACEMENT = Kind(
    code="replacement",
    name=_("Replacement kit"),
    purpose=_("Says exactly why another kit comes, and offers it."),
    recipient=PERSON,
    timing=Timing(working_days=2),
    stops={
        **_OFFER,
        **_WITH_KIT,
        StopCode.OPTED_OUT: Outcome.HOLD_OFFICE,
        StopCode.REASON_OVERTAKEN: Outcome.CANCEL,
    },
    needs_kit=True,
    cautions=_CARE | {"choice", "stop_or_postpone"},
)
SAMPLE_QUESTION = Kind(
    code="sample_question",
    name=_("Question about the sample"),
    purpose=_(
        "Asks the one thing we need to know before a kit can be tested, after two calls nobody answered."
    ),
    recipient=PERSON,
    timing=Timing(working_days=2),
    stops={
        StopCode.DIED: Outcome.CANCEL,
        StopCode.DUPLICATE: Outcome.CANCEL,
        StopCode.QUESTION_ANSWERED: Outcome.CANCEL,
        StopCode.MERGED: Outcome.HOLD_OFFICE,
        StopCode.LEFT_AREA: Outcome.HOLD_OFFICE,
        StopCode.HIDDEN_ADDRESS: Outcome.HOLD_OFFICE,
        StopCode.NO_ADDRESS: Outcome.HOLD_OFFICE,
    },
    cautions=_CARE | {"choice"},
)
RESULT_BELOW = Kind(
    code="result_below",
    name=_("Result: no further tests now"),
    purpose=_("Tells the person that the result is below the cutoff."),
    recipient=PERSON,
    timing=Timing(by_policy=True),
    stops={
        **_TOLD,
        StopCode.DIED: Outcome.CANCEL,
        StopCode.MERGED: Outcome.HOLD_OFFICE,
        StopCode.LEFT_AREA: Outcome.HOLD_OFFICE,
        StopCode.HIDDEN_ADDRESS: Outcome.HOLD_OFFICE,
        StopCode.NO_ADDRESS: Outcome.HOLD_OFFICE,
        StopCode.UNDER_LOOK_BACK: Outcome.HOLD_OFFICE,
        StopCode.EARLIER_QUESTION_OPEN: Outcome.HOLD_COORDINATORS,
        StopCode.IN_SURVEILLANCE: Outcome.HOLD_COORDINATORS,
    },
    cautions=_CARE | {"not_perfect", "stop_or_postpone"},
)
RESULT_MORE_TESTS = Kind(
    code="result_more_tests",
    name=_("Result: more tests needed"),
    purpose=_("Tells the person that more tests are needed, and that we will call."),
    recipient=PERSON,
    timing=Timing(landing=True),
    stops={
        **_TOLD,
        StopCode.DIED: Outcome.HOLD_COORDINATORS,
        StopCode.MERGED: Outcome.HOLD_COORDINATORS,
        StopCode.LEFT_AREA: Outcome.HOLD_COORDINATORS,
        StopCode.TOLD_BELOW_BEFORE: Outcome.HOLD_COORDINATORS,
        StopCode.HIDDEN_ADDRESS: Outcome.HOLD_COORDINATORS,
        StopCode.NO_ADDRESS: Outcome.HOLD_COORDINATORS,
    },
    cautions=_CARE | {"not_a_diagnosis", "next_step_is_an_examination", "choice"},
)
DOCTOR_COPY = Kind(
    code="doctor_copy",
    name=_("Result copy for the doctor"),
    purpose=_("Tells the practice the value, the cutoff and who does what next."),
    recipient=DOCTOR,
    timing=Timing(by_policy=True, landing=True),
    stops={
        **_TOLD,
        StopCode.UNDER_LOOK_BACK: Outcome.HOLD_OFFICE,
        StopCode.DIED: Outcome.CANCEL,
        StopCode.MERGED: Outcome.HOLD_COORDINATORS,
        StopCode.OBJECTS_DOCTOR_COPY: Outcome.CANCEL,
        StopCode.NO_PRACTICE: Outcome.HOLD_COORDINATORS,
    },
    stops_at_or_above={
        **_TOLD,
        StopCode.DIED: Outcome.HOLD_COORDINATORS,
        StopCode.MERGED: Outcome.HOLD_COORDINATORS,
        StopCode.OBJECTS_DOCTOR_COPY: Outcome.HOLD_COORDINATORS,
        StopCode.NO_PRACTICE: Outcome.HOLD_COORDINATORS,
    },
    cautions=_CARE | {"not_perfect", "next_step_is_an_examination"},
)

_DECIDED = {StopCode.REASON_OVERTAKEN: Outcome.SUPERSEDE, StopCode.DUPLICATE: Outcome.CANCEL}
NEXT_STEP = Kind(
    code="next_step",
    name=_("Findings and next step"),
    purpose=_("Tells the person what the examination found, what comes next, and who arranges it."),
    recipient=PERSON,
    timing=Timing(working_days=2),
    stops={
        **_DECIDED,
        StopCode.DIED: Outcome.CANCEL,
        StopCode.MERGED: Outcome.HOLD_COORDINATORS,
        StopCode.LEFT_AREA: Outcome.HOLD_COORDINATORS,
        StopCode.CANCER_FOUND: Outcome.HOLD_COORDINATORS,
        StopCode.HIDDEN_ADDRESS: Outcome.HOLD_COORDINATORS,
        StopCode.NO_ADDRESS: Outcome.HOLD_COORDINATORS,
    },
    cautions=_CARE | {"not_perfect", "next_step"},
)
NEXT_STEP_DOCTOR = Kind(
    code="next_step_doctor",
    name=_("Findings and next step, for the doctor"),
    purpose=_("Tells the practice the finding, the next step, its date and who arranges it."),
    recipient=DOCTOR,
    timing=Timing(working_days=2),
    stops={
        **_DECIDED,
        StopCode.DIED: Outcome.CANCEL,
        StopCode.MERGED: Outcome.HOLD_COORDINATORS,
        StopCode.OBJECTS_DOCTOR_COPY: Outcome.CANCEL,
        StopCode.NO_PRACTICE: Outcome.HOLD_COORDINATORS,
    },
    cautions=_CARE | {"not_perfect", "next_step"},
)

KINDS: Mapping[str, Kind] = {
    kind.code: kind
    for kind in (
        RESULT_MORE_TESTS, NEXT_STEP, NEXT_STEP_DOCTOR, DOCTOR_COPY, RESULT_BELOW, SAMPLE_QUESTION, REPLACEMENT,
        INVITATION, REMINDER,
    )
}  # fmt: skip
"""Every kind, in the order in which they are frozen and printed."""
