"""What leaves beside a run's own paper: reprints, the contractor's file, messages, and what comes back."""

import csv
import io
import zipfile
from datetime import timedelta
from pathlib import Path
from typing import Any

import pypdf
import pytest
from django.core import mail
from django.urls import reverse

from outreach.carriers import CarrierRefused, FileCarrier
from outreach.models import ContractorFile, Letter, Message, PrintRun, Wish
from outreach.services import messages
from outreach.services.contractor import COLUMNS, contractor_file_make, contractor_parcel
from outreach.services.freezing import letters_freeze
from outreach.services.messages import (
    message_bounced,
    message_doubt_settle,
    message_words,
    messages_in_doubt,
    messages_send,
)
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make, print_run_pull
from outreach.services.rendering import print_run_render
from outreach.services.reprints import check_rows, counts_agree, reprint_ask, reprint_render
from outreach.services.undelivered import undelivered_record, undelivered_settle
from oversight.rehearsal.setting import DEMO_PASSWORD
from screening.models import Person
from screening.services.people import stop_record
from staff import clock
from staff.acting import acting
from staff.errors import NotAllowed, RoundbookError
from tests import cast
from tests.factories import a_round, by_default
from tests.outreach.makers import a_patient, a_result, frozen
from tests.outreach.test_catalogue_planning import booked, later

pytestmark = pytest.mark.usefixtures("region")


def a_ready_run(count: int = 3) -> PrintRun:
    for _n in range(count):
        a_round(a_patient(), sent_days_ago=1)
    frozen()
    return print_run_render(by=by_default(), print_run=print_run_make(by=by_default()))


def desk() -> Any:
    return cast.member(cast.PHONE_DESK)


def asked(run: PrintRun, first: int, last: int, **other: Any) -> Any:
    given = {"reason": "jam", "destroyed": True} | other
    return reprint_ask(by=desk(), print_run=run, first=first, last=last, **given)


def test_a_range_is_printed_again_in_the_same_words_with_the_same_tokens() -> None:
    run = a_ready_run()
    before = [p.extract_text() for p in pypdf.PdfReader(io.BytesIO(bytes(run.document.content))).pages]
    Person.objects.update(family_name="Married")
    again = reprint_render(reprint=asked(run, 2, 3))
    pages = [p.extract_text() for p in pypdf.PdfReader(io.BytesIO(again.content)).pages]
    assert pages == before[2:6]
    run.refresh_from_db()
    assert (run.letters_count, run.status) == (3, "ready"), "a reprint adds no letter"


def test_a_reprint_leaves_out_what_is_stopped() -> None:
    run = a_ready_run()
    dead = run.printed.get(position=2)
    Person.objects.filter(pk=dead.letter.person_id).update(deceased_on=clock.today(), next_due_on=None)
    again = reprint_render(reprint=asked(run, 1, 3))
    whole = " ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(again.content)).pages)
    assert dead.token not in whole
    with pytest.raises(RoundbookError) as refused:
        reprint_render(reprint=asked(run, 2, 2))
    assert refused.value.code == "nothing_to_print"


@pytest.mark.parametrize(
    ("first", "last", "other", "code"),
    [
        (2, 1, {}, "range_unknown"), (1, 4, {}, "range_unknown"), (1, 1, {"destroyed": False}, "not_destroyed"),
        (1, 1, {"reason": "fun"}, "reason_missing"),
    ],
)  # fmt: skip
def test_what_a_reprint_needs(first: int, last: int, other: dict[str, Any], code: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        asked(a_ready_run(), first, last, **other)
    assert refused.value.code == code


def test_many_papers_need_a_second_person_and_none_are_printed_after_the_hand_over() -> None:
    run = a_ready_run(1)
    PrintRun.objects.filter(pk=run.pk).update(letters_count=30)
    for second in (None, desk()):
        with pytest.raises(RoundbookError) as refused:
            asked(run, 1, 30, agreed_by=second)
        assert refused.value.code == "second_person_missing"
    with pytest.raises(NotAllowed):
        asked(run, 1, 30, agreed_by=cast.member(cast.LABORATORY))
    assert asked(run, 1, 30, agreed_by=cast.member(cast.COORDINATOR)).agreed_by is not None
    print_run_hand_over(by=by_default(), print_run=run)
    with pytest.raises(RoundbookError) as refused:
        asked(run, 1, 1)
    assert refused.value.code == "not_at_the_desk"


def test_the_second_person_of_many_papers_signs_with_their_own_password(signed_in: Any) -> None:
    run = a_ready_run(1)
    PrintRun.objects.filter(pk=run.pk).update(letters_count=30)
    page, url = signed_in(cast.PHONE_DESK), reverse("outreach:print-run-reprint", args=[run.pk])
    facts = {
        "first": 1,
        "last": 30,
        "reason": "jam",
        "destroyed": "on",
        "agreed_by": cast.member(cast.COORDINATOR).pk,
    }
    for password in ("", "guess"):
        answer = page.post(url, facts | {"password": password}, follow=True).content.decode()
        assert "not the password of the second person" in answer
    assert not run.reprints.exists()
    page.post(url, facts | {"password": DEMO_PASSWORD})
    assert run.reprints.get().agreed_by == cast.member(cast.COORDINATOR)


def test_the_check_sheet_names_first_last_one_in_so_many_and_the_extremes() -> None:
    for n in range(52):
        a_round(a_patient(family_name="Quessenvarrowmere" if n == 7 else "Ol"), sent_days_ago=1)
    frozen()
    run = print_run_make(by=by_default())
    rows = {row.printed.position: row.why for row in check_rows(run)}
    assert (rows[1], rows[52]) == ("first", "last")
    assert {25, 50} <= set(rows)
    assert "longest name" in rows.values()
    assert len(rows) <= 6
    assert not counts_agree(run), "no page is counted before the document is there"


def test_pages_of_the_letters_add_up_to_the_document() -> None:
    run = a_ready_run(2)
    assert counts_agree(run)
    run.printed.filter(position=1).update(pages=1)
    assert not counts_agree(run), "a window-envelope shift shows as pages that do not add up (H17)"


def test_the_contractors_file_is_the_same_when_asked_for_twice() -> None:
    run = a_ready_run(2)
    made = contractor_file_make(by=desk(), print_run=run)
    assert contractor_file_make(by=desk(), print_run=run) == made
    parcel = contractor_parcel(made)
    assert parcel.content == contractor_parcel(made).content
    with zipfile.ZipFile(io.BytesIO(parcel.content)) as archive:
        rows = list(csv.DictReader(io.StringIO(archive.read(f"{made.file_id}.csv").decode())))
        pages = pypdf.PdfReader(io.BytesIO(archive.read(f"{made.file_id}.pdf"))).pages
    assert tuple(rows[0]) == COLUMNS
    assert [row["token"] for row in rows] == [place.token for place in run.printed.order_by("position")]
    assert sum(int(row["pages"]) for row in rows) == len(pages)
    assert "Tovelin" not in str(rows)


def test_a_second_file_has_a_new_id_and_the_first_is_not_given_any_more() -> None:
    run = a_ready_run(1)
    first = contractor_file_make(by=desk(), print_run=run)
    second = contractor_file_make(by=desk(), print_run=run, reason="they lost it")
    assert second.file_id != first.file_id
    with pytest.raises(RoundbookError) as refused:
        contractor_parcel(ContractorFile.objects.get(pk=first.pk))
    assert refused.value.code == "file_replaced"


def test_no_file_is_made_with_a_stopped_letter_inside_or_after_the_hand_over() -> None:
    run = a_ready_run(2)
    dead = run.printed.get(position=1)
    Person.objects.filter(pk=dead.letter.person_id).update(deceased_on=clock.today(), next_due_on=None)
    with pytest.raises(RoundbookError) as refused:
        contractor_file_make(by=desk(), print_run=run)
    assert refused.value.code == "stopped_inside"
    print_run_pull(by=by_default(), print_run=run, token=dead.token)
    with pytest.raises(RoundbookError) as refused:
        contractor_file_make(by=desk(), print_run=run)
    assert refused.value.code == "stopped_inside", "its paper is still in the document"
    print_run_hand_over(by=by_default(), print_run=run)
    with pytest.raises(RoundbookError) as refused:
        contractor_file_make(by=desk(), print_run=run)
    assert refused.value.code == "handed_over_already"


def test_a_file_is_not_given_once_a_letter_inside_is_stopped() -> None:
    run = a_ready_run(1)
    made = contractor_file_make(by=desk(), print_run=run)
    Person.objects.filter(pk=run.printed.get().letter.person_id).update(
        deceased_on=clock.today(), next_due_on=None
    )
    with pytest.raises(RoundbookError) as refused:
        contractor_parcel(made)
    assert refused.value.code == "stopped_inside"


HEALTH = (
    "bowel",
    "cancer",
    "screen",
    "test",
    "colon",
    "poo",
    "blood",
    "clinic",
    "hospital",
    "result",
    "exam",
)


def a_message(tmp_path: Path, settings: Any, *, by: str = "text") -> Letter:
    """A frozen appointment reminder of somebody who agreed to messages."""
    settings.TEXT_CARRIER, settings.TEXT_FOLDER = "outreach.carriers.FileCarrier", str(tmp_path)
    referral, made = booked(days=2)
    with acting(by_default()):
        Person.objects.filter(pk=referral.person_id).update(phone="01632 960 777", email="marra@example.org")
        Wish.objects.create(person=referral.person, source="call", **{f"{by}_since": clock.today()})
        type(made).objects.filter(pk=made.pk).update(made_on=clock.today() - timedelta(days=3))
    letters_plan(by=by_default())
    (letter,) = Letter.objects.filter(kind="appointment_reminder")
    assert letter.channel == by
    letters_freeze(by=by_default())
    letter.refresh_from_db()
    assert letter.state == "frozen"
    return letter


def test_a_text_message_goes_once_and_says_nothing_about_health(tmp_path: Path, settings: Any) -> None:
    letter = a_message(tmp_path, settings)
    assert messages_send(by=by_default()) == {"sent": 1}
    assert messages_send(by=by_default()) == {}
    (sent,) = tmp_path.glob("*.txt")
    words = sent.read_text().lower()
    assert "01632 960 777" in words
    assert "19 june 2026" in words
    assert not [word for word in HEALTH if word in words]
    letter.refresh_from_db()
    assert letter.state == "handed_over"
    assert print_run_make(by=by_default(), kind="appointment_reminder").status == "empty", (
        "and never on paper too"
    )


def test_an_e_mail_goes_through_djangos_backend(tmp_path: Path, settings: Any) -> None:
    letter = a_message(tmp_path, settings, by="email")
    messages_send(by=by_default())
    (sent,) = mail.outbox
    assert (sent.to, sent.subject) == (["marra@example.org"], "Your appointment")
    assert not [word for word in HEALTH if word in f"{sent.subject} {sent.body}".lower()]
    assert message_words(letter)[1] == sent.body


def test_an_objection_that_comes_late_stops_a_message_before_it_leaves(tmp_path: Path, settings: Any) -> None:
    letter = a_message(tmp_path, settings)
    stop_record(by=by_default(), person=letter.person, scope="text", source="call")
    assert messages_send(by=by_default()) == {}
    letter.refresh_from_db()
    assert (letter.state, letter.close_reason) == ("cancelled", "objects_channel")
    assert list(tmp_path.glob("*.txt")) == []


def test_a_worker_that_dies_while_sending_leaves_a_question_and_never_a_second_message(
    tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    letter = a_message(tmp_path, settings)

    def dies(*_args: object, **_words: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(FileCarrier, "send", dies)
        with pytest.raises(KeyboardInterrupt):
            messages_send(by=by_default())
    with clock.at(clock.now() + timedelta(minutes=11)):
        assert messages_send(by=by_default()) == {}
        (doubtful,) = messages_in_doubt()
        with pytest.raises(RoundbookError) as refused:
            message_doubt_settle(by=desk(), message=doubtful, sent=True, note=" ")
        assert refused.value.code == "note_missing"
        message_doubt_settle(by=desk(), message=doubtful, sent=False, note="The carrier has no trace of it.")
        letters_freeze(by=by_default())
        assert messages_send(by=by_default()) == {"sent": 1}
        assert messages_in_doubt() == []
    letter.refresh_from_db()
    assert letter.state == "handed_over"


def test_a_message_that_bounces_is_the_same_days_task_of_the_referrals_owner(
    tmp_path: Path, settings: Any
) -> None:
    letter = a_message(tmp_path, settings)
    messages_send(by=by_default())
    reference = Message.objects.get().reference
    for _twice in range(2):
        message_bounced(by=by_default(), reference=reference)
    letter.refresh_from_db()
    assert (letter.state, letter.due_on, letter.owner) == (
        "undelivered",
        clock.today(),
        letter.referral.owner,
    )
    with pytest.raises(RoundbookError) as refused:
        message_bounced(by=by_default(), reference="M1-nothing")
    assert refused.value.code == "reference_unknown"


def test_a_refused_message_is_a_task_and_nothing_was_sent(
    tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    letter = a_message(tmp_path, settings)

    def refuses(*_args: object, **_words: object) -> None:
        raise CarrierRefused("no such number")

    monkeypatch.setattr(messages, "text_carrier", lambda: type("Never", (), {"send": refuses})())
    assert messages_send(by=by_default()) == {"refused": 1}
    letter.refresh_from_db()
    assert letter.state == "undelivered"


def handed_over(kind: str, value: str = "") -> Letter:
    """A letter of a kind that went to the post."""
    if value:
        a_result(value, authorised=clock.today() - timedelta(days=2))
    else:
        a_round(a_patient(), sent_days_ago=1)
    (letter,) = frozen(kind)
    print_run_hand_over(
        by=by_default(), print_run=print_run_make(by=by_default(), kind=kind), without_document=True
    )
    return letter


def test_an_undelivered_letter_about_a_high_result_is_todays_task_of_the_referrals_owner() -> None:
    letter = handed_over("result_more_tests", "64.2")
    token = letter.printed.get().token
    found = undelivered_record(by=cast.member(cast.FRONT_DESK), token=token)
    assert undelivered_record(by=cast.member(cast.FRONT_DESK), token=token.lower()) == found
    letter.refresh_from_db()
    assert (letter.state, letter.due_on, letter.owner.username) == ("undelivered", clock.today(), "kaddrin")
    with pytest.raises(NotAllowed):
        undelivered_settle(by=desk(), letter=letter, note="rang")
    undelivered_settle(by=cast.member(cast.COORDINATOR), letter=letter, note="Rang her, told the doctor.")
    letter.refresh_from_db()
    assert letter.state == "settled"


def test_another_undelivered_letter_waits_two_working_days_for_the_office_and_may_be_written_again() -> None:
    letter = handed_over("result_below", "3.0")
    undelivered_record(by=desk(), token=letter.printed.get().token)
    letter.refresh_from_db()
    assert (letter.pool, letter.due_on) == ("office", clock.today() + timedelta(days=2))
    Person.objects.filter(pk=letter.person_id).update(address_1="9 New Lane")
    undelivered_settle(by=desk(), letter=letter, note="New address from the register.", again=True)
    letters_freeze(by=by_default())
    again = Letter.objects.exclude(pk=letter.pk).get(kind="result_below")
    assert (again.state, again.context["address"][0]) == ("frozen", "9 New Lane")


def test_what_never_left_is_not_undelivered_and_an_unknown_token_says_so() -> None:
    run = a_ready_run(1)
    with pytest.raises(RoundbookError) as refused:
        undelivered_record(by=desk(), token=run.printed.get().token)
    assert refused.value.code == "never_left"
    with pytest.raises(RoundbookError) as refused:
        undelivered_record(by=desk(), token="9-9-9")
    assert refused.value.code == "token_unknown"


def test_agreement_must_say_how_we_know() -> None:
    from django.db import IntegrityError, transaction

    with (
        pytest.raises(IntegrityError, match="agreement_says_how_we_know"),
        transaction.atomic(),
        acting(by_default()),
    ):
        Wish.objects.create(person=a_patient(), text_since=clock.today())


def test_a_person_who_reads_large_print_or_easy_words_gets_them() -> None:
    assert later
    for form in ("easy", "large"):
        person = a_patient()
        Wish.objects.create(person=person, form=form)
        a_round(person, sent_days_ago=1)
    assert sorted(one.text_version for one in frozen("invitation")) == [
        "invitation-1-en-easy",
        "invitation-1-en-large",
    ]
