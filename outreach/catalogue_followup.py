"""The kinds that follow a result at or above the cutoff, and what people ask for; the rest is in `catalogue`. Pure."""

from django.utils.translation import gettext_lazy as _

from outreach.catalogue_parts import (
    CARE,
    as_message,
    in_follow_up,
    once_to_person,
    to_colleagues,
    to_practice,
)
from outreach.kinds import DOCTOR, MESSAGE, PERSON, PROGRAMME, SITE, Kind, Outcome, StopCode, Timing

COORDINATORS, CANCEL = Outcome.HOLD_COORDINATORS, Outcome.CANCEL
REACHING = frozenset({"to_reach", "undecided"})
CLOSED = frozenset({"closed"})
DECIDED = {StopCode.REASON_OVERTAKEN: Outcome.SUPERSEDE, StopCode.DUPLICATE: CANCEL}
ABOUT = ("practice_name", "person_name", "birth_date")
SOON, LATER = Timing(working_days=1), Timing(working_days=5)

REACHING_PEOPLE = (
    Kind(
        code="tried_to_reach", number=10, name=_("We tried to reach you"), recipient=PERSON, timing=SOON,
        purpose=_("Asks the person to ring, after calls that reached nobody; the second time it is tracked."),
        trigger=_("The calls of the contact ladder reached nobody; again when its tracked letter is due."),
        stops=in_follow_up(), while_referral=REACHING, fields=("attempt",), cautions=CARE | {"choice"},
        every_variant=True,
    ),
    Kind(
        code="still_here", number=10, name=_("We would still like to talk with you"), recipient=PERSON, timing=LATER,
        purpose=_("Asks once more, long after a referral was closed because nobody could reach the person."),
        trigger=_("Six, twelve and twenty-four months after closing as could not be reached."), stops=in_follow_up(),
        while_referral=CLOSED, cautions=CARE | {"choice"},
    ),
    Kind(
        code="doctor_help", number=11, name=_("Cannot reach: please help"), recipient=DOCTOR, timing=SOON,
        purpose=_("Asks the practice to help us reach a person; says what is open and what we ask."),
        trigger=_("The contact ladder has come to the doctor."), stops=to_practice(), while_referral=REACHING,
        fields=(*ABOUT, "authorised_on", "value", "cutoff"), cautions=CARE | {"next_step_is_an_examination"},
    ),
    Kind(
        code="assessment_talk", number=12, name=_("The talk before the examination"), recipient=PERSON, timing=SOON,
        purpose=_("Says when the talk about the examination is, how long it takes and what to have at hand."),
        trigger=_("The person wants to go on, and a talk is due."), stops=in_follow_up(),
        while_referral=frozenset({"to_assess"}), fields=("talk_by",), cautions=CARE | {"choice"},
    ),
    Kind(
        code="appointment", number=13, name=_("Examination: date and preparation"), recipient=PERSON, timing=SOON,
        purpose=_("Says when and where the examination is, how to get ready, and what can go wrong."),
        trigger=_("An examination was booked."), stops=in_follow_up(), while_referral=frozenset({"booked"}), pages=2,
        fields=("exam_day", "exam_time", "exam_place", "medicine_plan", "preparation"),
        cautions=CARE | {"choice", "not_perfect", "risks"}, every_variant=True,
    ),
    Kind(
        code="date_cancelled", number=12, name=_("Your date is cancelled"), recipient=PERSON, timing=Timing(working_days=0),
        purpose=_("Says that the examination does not take place on a day the person was told, so that nobody gets ready"
                  " or travels for nothing; and that another day is looked for."),
        trigger=_("A date whose letter had left was cancelled or given back, and there is no new one."),
        stops=in_follow_up(), while_referral=frozenset({"to_book", "requested"}), fields=("exam_day", "exam_time"),
        cautions=CARE | {"choice", "next_step_is_an_examination"},
    ),
    Kind(
        code="appointment_reminder", number=14, name=_("Appointment reminder"), recipient=PERSON, channel=MESSAGE,
        purpose=_("Reminds of an appointment without a word about health."), timing=Timing(working_days=0),
        trigger=_("Seven and two days before a booked examination."),
        stops={
            StopCode.DIED: COORDINATORS, StopCode.MERGED: CANCEL, StopCode.DUPLICATE: CANCEL,
            StopCode.MOVED_ON: CANCEL, StopCode.OBJECTS_CHANNEL: CANCEL, StopCode.NO_CONSENT: CANCEL,
        },
        while_referral=frozenset({"booked"}), fields=("exam_day", "exam_time"),
    ),
    Kind(
        code="missed_examination", number=15, name=_("Missed examination"), recipient=PERSON,
        timing=Timing(working_days=2), purpose=_("Says that it still matters and how to get another date."),
        trigger=_("An examination was missed a second time."), stops=in_follow_up(),
        while_referral=frozenset({"to_book"}), cautions=CARE | {"choice", "next_step_is_an_examination"},
    ),
    Kind(
        code="missed_doctor", number=15, name=_("Missed examination, for the doctor"), recipient=DOCTOR,
        timing=Timing(working_days=2), purpose=_("Tells the practice that the examination has not taken place."),
        trigger=_("An examination was missed a second time."), stops=to_practice(),
        while_referral=frozenset({"to_book"}), fields=(*ABOUT, "value", "cutoff"),
        cautions=CARE | {"next_step_is_an_examination"},
    ),
)  # fmt: skip

AFTERWARDS = (
    Kind(
        code="histology_awaited", number=16, name=_("Report so far"), recipient=PERSON, timing=SOON,
        purpose=_("Says that samples are still being looked at and when to expect the answer."),
        trigger=_("Histology is not in ten working days after the report."), stops=in_follow_up(),
        while_referral=frozenset({"histology_due"}), fields=("examined_on",), cautions=CARE | {"not_a_diagnosis"},
    ),
    Kind(
        code="next_step", number=17, name=_("Findings and next step"), recipient=PERSON, timing=Timing(working_days=2),
        purpose=_("Tells the person what the examination found, what comes next, and who arranges it; where that is the"
                  " home test, also when the next kit comes (kind 19)."),
        trigger=_("A clinician signed the next step."),
        stops={
            **DECIDED, StopCode.DIED: CANCEL, StopCode.MERGED: COORDINATORS, StopCode.LEFT_AREA: COORDINATORS,
            StopCode.CANCER_FOUND: COORDINATORS, StopCode.HIDDEN_ADDRESS: COORDINATORS,
            StopCode.NO_ADDRESS: COORDINATORS,
        },
        fields=("examined_on", "finding", "step", "next_on", "words"),
        cautions=CARE | {"not_perfect", "next_step"}, every_variant=True,
    ),
    Kind(
        code="next_step_doctor", number=17, name=_("Findings and next step, for the doctor"), recipient=DOCTOR,
        timing=Timing(working_days=2),
        purpose=_("Tells the practice the finding, the next step, its date and who arranges it."),
        trigger=_("A clinician signed the next step."),
        stops={
            **DECIDED, StopCode.DIED: CANCEL, StopCode.MERGED: COORDINATORS, StopCode.OBJECTS_DOCTOR_COPY: CANCEL,
            StopCode.NO_PRACTICE: COORDINATORS,
        },
        fields=(*ABOUT, "examined_on", "finding_name", "histology", "step", "next_on", "words", "signed_by"),
        cautions=CARE | {"not_perfect", "next_step"}, every_variant=True,
    ),
    Kind(
        code="surveillance_due", number=18, name=_("Surveillance: your date comes near"), recipient=PERSON, timing=LATER,
        purpose=_("Says that the planned look inside the bowel comes near, why, and how to change it."),
        trigger=_("Sixty days before the date of a signed surveillance."),
        stops={**once_to_person(held_by=COORDINATORS), StopCode.REASON_OVERTAKEN: CANCEL},
        fields=("next_on",), cautions=CARE | {"choice", "not_perfect"},
    ),
    Kind(
        code="refusal", number=20, name=_("Your decision, and the open door"), recipient=PERSON, timing=LATER,
        purpose=_("Confirms what was offered and declined, names symptoms, and says how to come back."),
        trigger=_("A clinician recorded an informed refusal; asked again after three and twelve months."),
        stops=in_follow_up(), while_referral=CLOSED, fields=("attempt",), cautions=CARE | {"choice", "open_door"},
        every_variant=True,
    ),
    Kind(
        code="refusal_doctor", number=20, name=_("Declined examination, for the doctor"), recipient=DOCTOR, timing=LATER,
        purpose=_("Tells the practice that the examination was declined and that the door stays open."),
        trigger=_("A clinician recorded an informed refusal."), stops=to_practice(), while_referral=CLOSED,
        fields=(*ABOUT, "value", "cutoff"), cautions=CARE | {"next_step_is_an_examination"}, every_variant=True,
    ),
    Kind(
        code="waiting_for_health", number=21, name=_("The examination waits"), recipient=PERSON, timing=LATER,
        purpose=_("Says that the examination waits or is not for the person, until when, and who starts again."),
        trigger=_("A clinician decided that the person is not fit for it now, or for good."), stops=in_follow_up(),
        while_referral=frozenset({"paused_until", "closed"}), fields=("until", "for_good"), cautions=CARE,
    ),
    Kind(
        code="waiting_doctor", number=21, name=_("The examination waits, for the doctor"), recipient=DOCTOR, timing=LATER,
        purpose=_("Tells the practice until when the examination waits and who starts again."),
        trigger=_("A clinician decided that the person is not fit for it now, or for good."), stops=to_practice(),
        while_referral=frozenset({"paused_until", "closed"}), fields=(*ABOUT, "until", "for_good"),
        cautions=CARE | {"next_step_is_an_examination"},
    ),
    Kind(
        code="wellbeing", number=26, name=_("How are you, thirty days on"), recipient=PERSON, timing=LATER,
        purpose=_("Asks three questions about the thirty days after the examination."),
        trigger=_("Thirty days after an examination."),
        stops={**once_to_person(held_by=COORDINATORS), StopCode.REASON_OVERTAKEN: CANCEL}, fields=("examined_on",),
        cautions=CARE,
    ),
)  # fmt: skip

_WELLBEING_MESSAGE = Kind(
    code="wellbeing_message", number=26, name=_("How are you, by message"), recipient=PERSON, channel=MESSAGE,
    beside="wellbeing", timing=LATER,
    purpose=_("Draws attention to the letter with three questions, without a word about health."),
    trigger=_("A wellbeing letter is owed to somebody who agreed to messages."),
    stops=as_message({**once_to_person(), StopCode.REASON_OVERTAKEN: CANCEL}),
)  # fmt: skip

ASKED_FOR = (
    Kind(
        code="opt_out", number=22, name=_("You asked us to stop"), recipient=PERSON, timing=LATER,
        purpose=_("Confirms what was stopped and how to come back; nothing follows it."),
        trigger=_("The person asked for no more invitations."),
        stops={**once_to_person(), StopCode.REASON_OVERTAKEN: CANCEL}, fields=("asked_on",),
        cautions=CARE | {"open_door"},
    ),
    Kind(
        code="postponement", number=23, name=_("You asked us to wait"), recipient=PERSON, timing=LATER,
        purpose=_("Confirms until when no kit comes."), trigger=_("The person asked to wait."),
        stops={**once_to_person(), StopCode.REASON_OVERTAKEN: CANCEL}, fields=("until",), cautions=CARE,
    ),
    Kind(
        code="transfer", number=28, name=_("Handing a person over"), recipient=PROGRAMME, timing=Timing(working_days=2),
        purpose=_("Hands an open question to another programme and asks for a receipt."),
        trigger=_("A referral was closed as transferred."), stops=to_colleagues(), while_referral=CLOSED,
        fields=("person_name", "birth_date", "value", "cutoff", "authorised_on", "handed_to"),
        cautions=CARE | {"next_step_is_an_examination"},
    ),
    Kind(
        code="request_reply", number=29, name=_("Reply to a request about data"), recipient=PERSON,
        timing=Timing(working_days=20),
        purpose=_("Answers a request to see, correct or stop the use of data, after the identity was checked."),
        trigger=_("The office wrote down a request and how the identity was checked."),
        stops=once_to_person(), fields=("asked_on", "reply"), cautions=CARE,
    ),
    Kind(
        code="site_chase", number=30, name=_("Report asked for"), recipient=SITE, timing=SOON,
        purpose=_("Asks a unit for a report that has not come, for one of its own people."),
        trigger=_("An examination has no report on the promised day."), stops=to_colleagues(),
        while_referral=frozenset({"report_due"}), fields=("person_name", "birth_date", "examined_on"),
        cautions=frozenset({"contact"}),
    ),
)  # fmt: skip

FOLLOW_UP = (*REACHING_PEOPLE, *AFTERWARDS, _WELLBEING_MESSAGE, *ASKED_FOR)
