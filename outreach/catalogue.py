"""The catalogue of letters and messages: kinds 1 to 30 of the job's section 6, each a small declaration. Pure."""

from collections.abc import Mapping

from django.utils.translation import gettext_lazy as _

from outreach.catalogue_followup import FOLLOW_UP
from outreach.catalogue_parts import CARE, OFFER, TOLD, WITH_KIT, as_message, once_to_person
from outreach.kinds import DOCTOR, MESSAGE, PERSON, Kind, Outcome, StopCode, Timing

OFFICE, COORDINATORS, CANCEL = Outcome.HOLD_OFFICE, Outcome.HOLD_COORDINATORS, Outcome.CANCEL

INVITING = (
    Kind(
        code="advance_notice", number=1, name=_("Advance notice"), recipient=PERSON, timing=Timing(working_days=1),
        purpose=_("Says that a kit will come, what it is for, and how to say no or later."),
        trigger=_("The person falls due in as many days as the protocol says."),
        stops={
            **{code: does for code, does in OFFER.items() if code not in (StopCode.ROUND_OVER, StopCode.KIT_BACK)},
            StopCode.EARLIER_QUESTION_OPEN: CANCEL,
        },
        cautions=CARE | {"choice", "not_perfect", "stop_or_postpone"}, every_variant=True,
    ),
    Kind(
        code="invitation", number=2, name=_("Invitation with kit"), recipient=PERSON, timing=Timing(working_days=1),
        purpose=_("Offers the test, with the kit in the same envelope."),
        trigger=_("A round was opened."), stops={**OFFER, **WITH_KIT}, fields=("serial",), needs_kit=True, pages=2,
        cautions=CARE | {"choice", "not_perfect", "stop_or_postpone"}, every_variant=True,
    ),
    Kind(
        code="reminder", number=3, name=_("Reminder"), recipient=PERSON, timing=Timing(working_days=2),
        purpose=_("Asks once more when no kit has come back."),
        trigger=_("No kit came back by the protocol's first reminder day."), stops=OFFER, fields=("sent_on",),
        cautions=CARE | {"choice", "crossed_in_post", "stop_or_postpone"}, every_variant=True,
    ),
    Kind(
        code="second_contact", number=4, name=_("Second contact"), recipient=PERSON, timing=Timing(working_days=2),
        purpose=_("Offers help to people who have not sent the kit back."),
        trigger=_("No kit came back by the protocol's second reminder day."), stops=OFFER, fields=("sent_on",),
        cautions=CARE | {"choice", "crossed_in_post", "stop_or_postpone"},
    ),
    Kind(
        code="reminder_message", number=3, name=_("Reminder by message"), recipient=PERSON, channel=MESSAGE,
        beside="reminder", timing=Timing(working_days=2),
        purpose=_("Draws attention to the reminder letter, without a word about health; never instead of it."),
        trigger=_("A reminder letter is owed to somebody who agreed to messages."), stops=as_message(OFFER),
    ),
    Kind(
        code="second_contact_message", number=4, name=_("Second contact by message"), recipient=PERSON, channel=MESSAGE,
        beside="second_contact", timing=Timing(working_days=2),
        purpose=_("Offers help by message too, without a word about health; never instead of the letter."),
        trigger=_("A second contact is owed to somebody who agreed to messages."), stops=as_message(OFFER),
    ),
    Kind(
        code="replacement", number=5, name=_("Replacement kit"), recipient=PERSON, timing=Timing(working_days=2),
        purpose=_("Says exactly why another kit comes, and offers it."),
        trigger=_("A sample was unsuitable, or a kit never reached the person."),
        stops={**OFFER, **WITH_KIT, StopCode.OPTED_OUT: OFFICE, StopCode.REASON_OVERTAKEN: CANCEL},
        fields=("serial", "what_went_wrong", "came_back"), needs_kit=True,
        cautions=CARE | {"choice", "stop_or_postpone"}, every_variant=True,
    ),
    Kind(
        code="kit_recall", number=25, name=_("Do not use this kit"), recipient=PERSON, timing=Timing(working_days=2),
        purpose=_("Asks people not to use a kit of a lot with a fault, and says that another follows."),
        trigger=_("A lot was put under quarantine while its kits are with people."),
        stops={
            StopCode.DIED: CANCEL, StopCode.DUPLICATE: CANCEL, StopCode.KIT_BACK: CANCEL, StopCode.MERGED: OFFICE,
            StopCode.LEFT_AREA: OFFICE, StopCode.HIDDEN_ADDRESS: OFFICE, StopCode.NO_ADDRESS: OFFICE,
        },
        fields=("kit_named",), cautions=CARE | {"choice"},
    ),
    Kind(
        code="leaving_by_age", number=27, name=_("Last invitation by age"), recipient=PERSON,
        timing=Timing(working_days=5),
        purpose=_("Says that no further kit comes by itself, and how to go on where the programme allows it."),
        trigger=_("A round closed, and the next one would come after the upper age."), stops=once_to_person(),
        cautions=CARE | {"not_perfect"},
    ),
)  # fmt: skip

RESULTS = (
    Kind(
        code="sample_question", number=6, name=_("Question about the sample"), recipient=PERSON,
        timing=Timing(working_days=2),
        purpose=_("Asks the one thing we need to know before a kit can be tested, after two calls nobody answered."),
        trigger=_("Two calls about a set-aside kit reached nobody."),
        stops={
            StopCode.DIED: CANCEL, StopCode.DUPLICATE: CANCEL, StopCode.QUESTION_ANSWERED: CANCEL,
            StopCode.MERGED: OFFICE, StopCode.LEFT_AREA: OFFICE, StopCode.HIDDEN_ADDRESS: OFFICE,
            StopCode.NO_ADDRESS: OFFICE,
        },
        fields=("question", "call_by"), cautions=CARE | {"choice"},
    ),
    Kind(
        code="result_below", number=7, name=_("Result: no further tests now"), recipient=PERSON,
        timing=Timing(by_policy=True), purpose=_("Tells the person that the result is below the cutoff."),
        trigger=_("A result below the cutoff was authorised."),
        stops={
            **TOLD, StopCode.DIED: CANCEL, StopCode.MERGED: OFFICE, StopCode.LEFT_AREA: OFFICE,
            StopCode.HIDDEN_ADDRESS: OFFICE, StopCode.NO_ADDRESS: OFFICE, StopCode.UNDER_LOOK_BACK: OFFICE,
            StopCode.EARLIER_QUESTION_OPEN: COORDINATORS, StopCode.IN_SURVEILLANCE: COORDINATORS,
        },
        fields=("value", "cutoff", "collected_on", "next_invitation"),
        cautions=CARE | {"not_perfect", "stop_or_postpone"}, every_variant=True,
    ),
    Kind(
        code="result_more_tests", number=8, name=_("Result: more tests needed"), recipient=PERSON,
        timing=Timing(landing=True), purpose=_("Tells the person that more tests are needed, and that we will call."),
        trigger=_("A result at or above the cutoff was authorised."),
        stops={
            **TOLD, StopCode.DIED: COORDINATORS, StopCode.MERGED: COORDINATORS, StopCode.LEFT_AREA: COORDINATORS,
            StopCode.TOLD_BELOW_BEFORE: COORDINATORS, StopCode.HIDDEN_ADDRESS: COORDINATORS,
            StopCode.NO_ADDRESS: COORDINATORS,
        },
        fields=("value", "cutoff", "call_by"),
        cautions=CARE | {"not_a_diagnosis", "next_step_is_an_examination", "choice"}, every_variant=True,
    ),
    Kind(
        code="doctor_copy", number=9, name=_("Result copy for the doctor"), recipient=DOCTOR,
        timing=Timing(by_policy=True, landing=True),
        purpose=_("Tells the practice the value, the cutoff and who does what next."),
        trigger=_("A result was authorised."),
        stops={
            **TOLD, StopCode.UNDER_LOOK_BACK: OFFICE, StopCode.DIED: CANCEL, StopCode.MERGED: COORDINATORS,
            StopCode.OBJECTS_DOCTOR_COPY: CANCEL, StopCode.NO_PRACTICE: COORDINATORS,
        },
        stops_at_or_above={
            **TOLD, StopCode.DIED: COORDINATORS, StopCode.MERGED: COORDINATORS,
            StopCode.OBJECTS_DOCTOR_COPY: COORDINATORS, StopCode.NO_PRACTICE: COORDINATORS,
        },
        fields=("practice_name", "person_name", "birth_date", "value", "cutoff", "at_or_above", "collected_on",
                "authorised_on", "next_invitation"),
        cautions=CARE | {"not_perfect", "next_step_is_an_examination"}, every_variant=True,
    ),
    Kind(
        code="corrected_result", number=24, name=_("Corrected result"), recipient=PERSON,
        timing=Timing(working_days=2, landing=True),
        purpose=_("Says what changed in a result the person was told, why, and what happens now; with an apology."),
        trigger=_("A result was amended or withdrawn after its letter had left."),
        stops={
            **TOLD, StopCode.DIED: CANCEL, StopCode.MERGED: COORDINATORS, StopCode.LEFT_AREA: COORDINATORS,
            StopCode.TELL_BY_PHONE_FIRST: COORDINATORS, StopCode.HIDDEN_ADDRESS: COORDINATORS,
            StopCode.NO_ADDRESS: COORDINATORS,
        },
        fields=("value", "cutoff", "told_before", "told_on", "at_or_above", "call_by"),
        cautions=CARE | {"not_perfect", "apology"}, every_variant=True,
    ),
)  # fmt: skip

KINDS: Mapping[str, Kind] = {
    kind.code: kind
    for kind in sorted((*INVITING, *RESULTS, *FOLLOW_UP), key=lambda kind: (kind.code in {
        "invitation", "reminder", "second_contact", "advance_notice", "replacement",
    }, kind.code not in {"result_more_tests", "next_step", "next_step_doctor", "doctor_copy"}))
}  # fmt: skip
"""Every kind, in the order in which they are frozen and printed: what follows a high result first, offers last."""
BESIDE: Mapping[str, str] = {kind.beside: kind.code for kind in KINDS.values() if kind.beside}
"""Letter kind → the message that goes beside it."""
