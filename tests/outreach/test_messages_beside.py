"""Messages that go beside letters, to those who agreed; what a locked screen may show; a date that is called off."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail

from outreach.catalogue import BESIDE, KINDS
from outreach.kinds import MESSAGE, StopCode
from outreach.letters.phrases import IN_LANGUAGE, phrase
from outreach.letters.texts import LANGUAGES, chosen_from, passages_of, texts_delivered
from outreach.letters.trying import trial_words
from outreach.letters.words import plain
from outreach.models import Letter, Message, Wish
from outreach.services.freezing import letters_freeze
from outreach.services.messages import message_bounced, messages_send
from outreach.services.print_runs import print_run_hand_over, print_run_make
from outreach.services.undelivered import undelivered_settle
from results.services import referrals as services
from screening.models import Person
from screening.services.people import stop_record
from staff import clock
from staff.acting import acting
from tests import cast
from tests.factories import a_round, by_default
from tests.outreach.makers import a_patient, planned
from tests.outreach.test_catalogue_planning import a_referral, booked, kinds, later
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")

HEALTH = {
    "en": "bowel cancer screen test colon poo blood clinic hospital result exam doctor kit sample camera polyp",
    "ar": "أمعاء سرطان اختبار فحص قولون براز دم عيادة مستشفى نتيجة تنظير طبيب عدة عدّة عينة عيّنة كاميرا سلائل",
}
"""Words that a stranger who sees the screen must not read."""


def agreed(person: Person, **by: object) -> None:
    """The person agreed to messages today, by telephone."""
    with acting(by_default()):
        Person.objects.filter(pk=person.pk).update(phone="01632 960 777", email="marra@example.org")
        Wish.objects.create(person=person, source="call", **({"email_since": clock.today()} | by))


def states(kind: str) -> list[str]:
    return list(Letter.objects.filter(kind=kind).order_by("pk").values_list("state", flat=True))


def test_a_reminder_has_a_message_beside_it_for_those_who_agreed_and_is_itself_never_left_out() -> None:
    # Source: job section 2.5; a text in place of the letter lowered participation in a published trial (S32a there).
    with_consent, without = (a_round(a_patient(), sent_days_ago=28) for _n in range(2))
    agreed(with_consent.person)
    assert len(planned("reminder")) == 2
    (beside,) = planned("reminder_message")
    assert (beside.person, beside.channel) == (with_consent.person, "email")
    assert without.person_id != beside.person_id
    planned()
    assert (states("reminder_message"), len(states("reminder"))) == (["owed"], 2)
    letters_freeze(by=by_default())
    assert messages_send(by=by_default()) == {"sent": 1}
    (sent,) = mail.outbox
    assert sent.subject == "A letter is on its way"
    assert print_run_make(by=by_default(), kind="reminder").letters_count == 2
    assert print_run_make(by=by_default(), kind="reminder_message").status == "empty"


def test_a_second_contact_and_a_wellbeing_letter_have_messages_beside_them() -> None:
    round_, referral = a_round(a_patient(), sent_days_ago=28), a_referral("to_classify")
    agreed(round_.person)
    agreed(referral.person, text_since=clock.today(), email_since=None)
    planned()
    with later(31):
        planned()
        assert states("second_contact_message") == states("second_contact") == ["owed"]
        (asked,) = Letter.objects.filter(kind="wellbeing_message")
        assert (asked.channel, asked.referral, asked.state) == ("text", referral, "owed")


def test_who_agreed_but_left_no_number_gets_no_message() -> None:
    round_ = a_round(a_patient(), sent_days_ago=28)
    agreed(round_.person)
    Person.objects.filter(pk=round_.person_id).update(phone="", email="")
    planned()
    assert (states("reminder"), states("reminder_message")) == (["owed"], [])


def test_who_objects_meanwhile_gets_no_message_and_still_the_letter() -> None:
    round_ = a_round(a_patient(), sent_days_ago=28)
    agreed(round_.person)
    planned()
    stop_record(by=by_default(), person=round_.person, scope="email", source="call")
    letters_freeze(by=by_default())
    assert (states("reminder_message"), states("reminder")) == (["cancelled"], ["frozen"])
    assert mail.outbox == []


def test_whose_kit_came_back_gets_neither() -> None:
    round_ = a_round(a_patient(), sent_days_ago=28)
    agreed(round_.person)
    planned()
    stop_record(by=by_default(), person=round_.person, scope="invitations", source="call")
    letters_freeze(by=by_default())
    assert (states("reminder_message"), states("reminder")) == (["cancelled"], ["cancelled"])


def test_a_message_that_bounces_is_a_task_and_may_be_written_by_post() -> None:
    round_ = a_round(a_patient(), sent_days_ago=28)
    agreed(round_.person)
    planned()
    letters_freeze(by=by_default())
    messages_send(by=by_default())
    back = message_bounced(by=by_default(), reference=Message.objects.get().reference)
    assert (back.state, back.pool, back.due_on) == (
        "undelivered",
        "office",
        clock.today() + timedelta(days=2),
    )
    desk = cast.member(cast.PHONE_DESK)
    undelivered_settle(by=desk, letter=back, note="The address is no longer hers.", again=True)
    again = Letter.objects.filter(kind="reminder_message").latest("pk")
    assert (again.channel, again.state) == ("post", "owed")


def test_a_person_who_reads_arabic_gets_the_message_in_arabic_with_the_word_of_caution() -> None:
    round_ = a_round(a_patient(language="ar"), sent_days_ago=28)
    agreed(round_.person)
    planned()
    letters_freeze(by=by_default())
    messages_send(by=by_default())
    (sent,) = mail.outbox
    assert sent.subject == "رسالة في الطريق إليك"
    assert sent.body.splitlines()[-1] == "ترجمة للعرض فقط، ولم يراجعها مترجم بعد."


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", [kind.code for kind in KINDS.values() if kind.channel == MESSAGE])
def test_a_locked_screen_may_show_every_message(kind: str, language: str) -> None:
    text = [one for one in texts_delivered() if one.kind == kind][-1]
    chosen = chosen_from(text, language, "easy")
    assert chosen.language == language
    words = plain(chosen.variant, trial_words(kind, language), passages_of(text.shared)[language])
    bare = {word.removeprefix("ال").removeprefix("وال") for word in re.findall(r"\w+", words.lower())}
    assert not [
        word
        for word in HEALTH[language].split()
        if word in bare or (language == "en" and word in words.lower())
    ]
    assert "Marra" not in words, "nor a name"
    assert "01632 960 400" in words.replace("\u00a0", " "), "and says where to ring"
    assert len(words) <= 320, "two text messages of the usual length at most"


def test_every_message_asks_for_agreement_and_none_takes_the_place_of_a_letter() -> None:
    for kind in KINDS.values():
        if kind.channel == MESSAGE:
            assert {StopCode.NO_CONSENT, StopCode.OBJECTS_CHANNEL, StopCode.DIED} <= set(kind.stops)
    assert set(BESIDE) == {"reminder", "second_contact", "wellbeing"}
    assert all(KINDS[letter].channel == "post" for letter in BESIDE)


def told(**facts: Any) -> tuple[Any, Any]:
    """A referral whose booking the person was told of by a letter that left."""
    referral, made = booked(**facts)
    planned()
    letters_freeze(by=by_default(), kind="appointment")
    print_run_hand_over(
        by=by_default(), print_run=print_run_make(by=by_default(), kind="appointment"), without_document=True
    )
    assert states("appointment") == ["handed_over"]
    return referral, made


@pytest.mark.parametrize("outcome", ["cancelled_site", "cancelled_person"])
def test_a_date_that_is_called_off_is_told_to_whoever_was_told_the_date(outcome: str) -> None:
    # Source: common practice, no source: nobody gets ready or travels for an examination that does not take place.
    referral, made = told()
    services.booking_outcome(by=f.liora(), booking=made, outcome=outcome, note="list closed")
    assert kinds(referral)["date_cancelled"] == "owed"
    letters_freeze(by=by_default())
    letter = Letter.objects.get(kind="date_cancelled")
    assert (letter.state, letter.due_on, letter.context["exam_day"]) == (
        "frozen",
        clock.today(),
        "Tuesday 7 July 2026",
    )
    kinds(referral)
    assert states("date_cancelled") == ["frozen"], "and told once"


def test_a_new_date_before_it_is_printed_makes_the_letter_needless() -> None:
    referral, made = told()
    services.booking_outcome(by=f.liora(), booking=made, outcome="cancelled_site", note="list closed")
    kinds(referral)
    services.booking_make(
        by=f.liora(), referral=referral, site=f.unit(), day=made.day + timedelta(days=9), time=made.time
    )
    assert kinds(referral)["date_cancelled"] == "cancelled"


def test_a_missed_date_is_not_told_as_called_off() -> None:
    referral, made = told(days=20)
    with later(20):
        services.booking_outcome(by=f.liora(), booking=made, outcome="missed")
        assert "date_cancelled" not in kinds(referral)


@pytest.mark.parametrize("sort", ["replacement", "finding", "question", "route", "preparation"])
def test_every_phrase_a_letter_uses_is_there_in_every_language(sort: str) -> None:
    english = IN_LANGUAGE["en"][sort]
    for language in LANGUAGES:
        assert set(IN_LANGUAGE[language][sort]) == set(english), language
    for code, words in IN_LANGUAGE["ar"][sort].items():
        assert re.search(r"[\u0600-\u06ff]", str(words)), code
        assert phrase(sort, code, "ar") != phrase(sort, code, "en")


def test_a_letter_in_arabic_says_what_went_wrong_in_arabic() -> None:
    assert phrase("replacement", "leaked_out", "ar") == "تسرّب السائل كله من الأنبوب في الطريق إلينا"
    assert phrase("replacement", "something new", "ar") == "لم نستطع فحص العيّنة"
    assert phrase("replacement", "something new", "en") == "we could not test the sample"
