"""What to ask about a set-aside, and which answers fit its reason; a call that reached nobody is recorded apart."""

from django.utils.translation import gettext_lazy as _

from screening.accession_words import REASON_SENTENCES, Reason
from screening.services.intake_cards import Words
from screening.services.intake_solve import NEVER_TESTED, Answer

_DAY = _("Ask the person: on which day did you take the sample?")
_WHOSE = _(
    "Ask the person: did you post a kit, on which day was the sample taken, and does anybody at home have one?"
)
_LOOK = _("Look at the vial, then choose what is true of it.")

_QUESTIONS: dict[Reason, Words] = {
    **dict.fromkeys(
        (Reason.NO_NAME, Reason.OTHER_NAME, Reason.NAME_ILLEGIBLE, Reason.OTHER_BIRTH_DATE, Reason.TWO_VIALS,
         Reason.SWAP_SUSPECTED, Reason.IDENTITY_IN_DOUBT, Reason.WAS_UNDELIVERED),
        _WHOSE,
    ),
    **dict.fromkeys(
        (Reason.BEFORE_DISPATCH, Reason.IMPOSSIBLE_DATE, Reason.FUTURE_DATE, Reason.UNDATED, Reason.NO_DATE_KEYED),
        _DAY,
    ),
    Reason.OTHER_MONTH: _("Read the full date on the label and enter it."),
    Reason.NAME_CHECK_OWED: _("Compare the name on the vial with the name here."),
    Reason.OPTED_OUT: _("Ask the person: you sent a sample although you had opted out. Shall we test it? A no is respected."),
    Reason.DIED: _("Do not call. Check the date of death with the register, then mark the kit unsuitable."),
    Reason.LOT_QUARANTINED: _("Ask the laboratory whether the lot stays quarantined."),
    Reason.NOT_ASSIGNED: _("Find out with the office where this kit went. It cannot be tested without a person."),
    Reason.NOT_DISPATCHED: _("Check with the office when this kit left, then enter the day on the label."),
    Reason.ARRIVAL_DAY_WRONG: _("Undo its scan and record its delivery again with the day it really arrived. Where the scan cannot be undone any more, test the kit as one whose day nobody knows."),
    Reason.IN_FOLLOW_UP: _("Ask the coordinator whether this second sample is wanted."),
    Reason.RESULT_ALREADY: _("Ask the laboratory lead whether this second sample is to be measured."),
    Reason.OTHER_KIT_IN: _("Wait for the result of the other kit of this round; then test this one only if needed."),
    Reason.ROUND_CLOSED: _("Ask the coordinator whether this sample is still wanted."),
}  # fmt: skip
"""By reason; anything else is a matter of looking at the vial."""

LABELS: dict[Answer, Words] = {
    Answer.DAY_TOLD: _("The day is known"),
    Answer.ACCEPT: _("It is in order, with the day already keyed"),
    Answer.UNDATED: _("It is in order, but nobody knows the day"),
    Answer.UNSUITABLE: _("It cannot be tested"),
    Answer.SWAPPED: _("Swapped with another kit: test neither"),
    Answer.CALL_LATER: _("Nobody reached: try again on the next working day"),
}
_SWAPS = frozenset(
    {
        Reason.OTHER_NAME,
        Reason.SWAP_SUSPECTED,
        Reason.OTHER_BIRTH_DATE,
        Reason.TWO_VIALS,
        Reason.IDENTITY_IN_DOUBT,
    }
)


def question_for(reason: str) -> Words:
    """What to find out."""
    return _QUESTIONS.get(Reason(reason), _LOOK) if reason in set(Reason) else _LOOK


def reason_in_words(reason: str) -> Words:
    """Why it was set aside."""
    return REASON_SENTENCES[Reason(reason)] if reason in set(Reason) else ""


def answers_for(reason: str) -> list[Answer]:
    """The answers that fit this reason, in the order of the page; the day has a field of its own."""
    if reason in NEVER_TESTED:
        return [Answer.UNSUITABLE]
    answers = [Answer.ACCEPT, Answer.UNDATED, Answer.UNSUITABLE]
    return [*answers, Answer.SWAPPED] if reason in _SWAPS else answers
