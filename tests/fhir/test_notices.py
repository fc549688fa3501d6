"""Notices to doctors' systems: a real HTTP server on the loopback that takes, refuses, breaks off and comes back; files; the page.

Sources: HL7 FHIR R4 (4.0.1), Communication and conditional create; three retries then paper, job 2.10 exception 7; R11.
"""

import json
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import DatabaseError, transaction
from django.urls import reverse

from outreach.models import Letter, Notice, NoticeAttempt, NoticeRoute, NoticeTodo
from outreach.notice_ways import address_trouble, token_for
from outreach.services.freezing import letters_freeze
from outreach.services.notice_routes import notice_route_set, notice_settle, notices_again
from outreach.services.notices import WAITS, notices_plan, notices_send
from outreach.services.print_runs import print_run_hand_over, print_run_make
from outreach.services.rendering import print_run_render
from oversight.models import NetCount
from oversight.services.proofs import prove
from results.models import Result
from screening.models import Person, Practice
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import AccessEntry, User
from tests import cast
from tests.factories import a_round, by_default
from tests.fhir.receiver import Receiver, receiving
from tests.fhir.rules import broken
from tests.outreach.makers import a_patient, a_result, an_attempt, frozen
from tests.results.follow_up import a_referral

pytestmark = pytest.mark.usefixtures("region")


@pytest.fixture
def doctor() -> Iterator[Receiver]:
    """A doctor's system that answers."""
    with receiving() as server:
        yield server


def practice() -> Practice:
    return Practice.objects.order_by("pk").first()


def admin() -> User:
    return cast.member(cast.ADMINISTRATOR)


def system() -> User:
    return User.objects.system()


def takes(server: Receiver, at: Practice | None = None) -> NoticeRoute:
    return notice_route_set(by=admin(), practice=at or practice(), way="http", address=server.address)


def handed_over(kind: str = "doctor_copy") -> list[Letter]:
    """Everything frozen on paper and out of the house; of it the letters of a kind."""
    run = print_run_render(by=by_default(), print_run=print_run_make(by=by_default()))
    print_run_hand_over(by=by_default(), print_run=run)
    return list(Letter.objects.filter(kind=kind, state="handed_over").order_by("pk"))


def a_copy(value: str = "64.2", **facts: object) -> Letter:
    """A doctor's copy of a result that was handed over."""
    two_days_ago = clock.today() - timedelta(days=2)
    result = a_result(value, round_=a_round(a_patient(**facts)), authorised=two_days_ago)
    if result.side == "at_or_above":
        an_attempt(result)
    frozen()
    letters_freeze(by=by_default())
    return next(one for one in handed_over() if one.result_id == result.pk)


def swept(later: timedelta = timedelta()) -> dict[str, int]:
    """One sweep of the worker, so much later."""
    with clock.at(clock.now() + later):
        notices_plan(by=system())
        return dict(notices_send(by=system()))


def on_the_net(later: timedelta) -> list[tuple[object, ...]]:
    """The notices that “Nobody falls through” lists, so much later."""
    with clock.at(clock.now() + later):
        prove(by=system())
    rows = NetCount.objects.filter(name="notice_given_up").latest("pk").rows
    return [tuple(row[name] for name in ("thing", "id", "person_id", "owner", "note")) for row in rows]


def test_a_practice_without_an_address_gets_paper_alone() -> None:
    a_copy("3.0")
    assert swept() == {}
    assert (NoticeTodo.objects.count(), Notice.objects.count()) == (0, 0)


def test_nothing_goes_before_the_paper(doctor: Receiver) -> None:
    """R11: the doctor's copy precedes neither the first call attempt nor the letter."""
    takes(doctor)
    result = a_result("64.2", round_=a_round(a_patient()), authorised=clock.today() - timedelta(days=2))
    an_attempt(result)
    frozen()
    letters_freeze(by=by_default())
    assert Letter.objects.get(kind="doctor_copy").state == "frozen"
    assert swept() == {}
    handed_over()
    assert swept() == {"taken": 1}


@pytest.mark.parametrize(("value", "code", "priority", "words"), [
    ("64.2", "POS", "urgent", "The screening programme owns the next step."),
    ("3.0", "NEG", "routine", "No action is needed from you."),
])  # fmt: skip
def test_a_notice_holds_the_letters_words_and_the_result(
    doctor: Receiver, value: str, code: str, priority: str, words: str
) -> None:
    takes(doctor)
    letter = a_copy(value, phone="01632 960 777")
    Person.objects.filter(pk=letter.person_id).update(hidden_address=True)
    before = AccessEntry.objects.filter(place="notice to a practice").count()
    assert swept() == {"taken": 1}
    ((headers, body),) = doctor.heard
    sent = json.loads(body)
    assert broken(sent) == []
    inside = {one["resourceType"]: one for one in sent["contained"]}
    for one in inside.values():
        assert broken(one) == []
    assert (sent["priority"], sent["identifier"][0]["value"]) == (priority, f"RBN-{letter.pk}")
    assert inside["Observation"]["valueQuantity"]["value"] == float(value)
    assert inside["Observation"]["interpretation"][0]["coding"][0]["code"] == code
    assert inside["Patient"]["identifier"][0]["value"] == letter.person.identifiers.get().value
    assert words in sent["payload"][0]["contentString"]
    assert sent["recipient"][0]["identifier"]["value"] == practice().code
    for hidden in (letter.person.address_1, letter.person.postcode, letter.person.phone):
        assert hidden not in body.decode()
    assert headers["Authorization"] == f"Bearer {token_for(practice=practice().code, address=doctor.address)}"
    assert headers["Content-Type"] == "application/fhir+json"
    notice = Notice.objects.get()
    assert (notice.state, notice.receipt, notice.attempts) == ("taken", "c1", 1)
    assert (
        AccessEntry.objects.filter(place="notice to a practice", person_id=letter.person_id).count()
        == before + 1
    )
    assert swept(timedelta(days=1)) == {}
    assert len(doctor.heard) == 1


def test_a_signed_next_step_is_told_too(doctor: Receiver) -> None:
    takes(doctor)
    referral = a_referral("closed", practice=practice())
    frozen()
    letters_freeze(by=by_default())
    (letter,) = handed_over("next_step_doctor")
    assert swept()["taken"] == 1
    sent = json.loads(doctor.heard[-1][1])
    assert broken(sent) == []
    assert sent["topic"]["coding"][0]["code"] == "next_step_doctor"
    assert sent["priority"] == "routine"
    assert letter.referral_id == referral.pk
    assert str(referral.person) in sent["payload"][0]["contentString"]


def test_waits_grow_and_after_three_retries_somebody_owns_it(doctor: Receiver) -> None:
    takes(doctor)
    a_copy("3.0")
    doctor.mode = 503
    assert swept() == {"failed": 1}
    later = timedelta()
    for wait in WAITS[:-1]:
        assert swept(later + wait - timedelta(seconds=1)) == {}
        later += wait
        assert swept(later) == {"failed": 1}
    later += WAITS[-1]
    assert swept(later) == {"given_up": 1}
    notice = Notice.objects.get()
    assert (notice.state, notice.attempts, notice.owner, notice.due_on) == (
        "given_up",
        4,
        admin(),
        date(2026, 6, 18),
    )
    assert notice.last_error.startswith("The practice's system has trouble of its own (503).")
    assert on_the_net(later) == [("notice", notice.pk, notice.letter.person_id, str(admin()), "owned")]
    assert on_the_net(timedelta(days=30))[0][-1] == "late"
    assert swept(timedelta(days=3)) == {}
    assert len(set(doctor.identifiers())) == 1
    assert len({body for _headers, body in doctor.heard}) == 1
    doctor.mode = "takes"
    assert notices_again(by=admin(), notice=notice) == 1
    assert swept(timedelta(days=3)) == {"taken": 1}
    assert on_the_net(timedelta(days=3)) == []
    assert list(NoticeAttempt.objects.values_list("nth", "taken")) == [
        (1, False),
        (2, False),
        (3, False),
        (4, False),
        (1, True),
    ]
    with pytest.raises(IllegalMove):
        notices_again(by=admin(), notice=notice)


@pytest.mark.parametrize(("status", "words"), [
    (401, "does not let us in"), (404, "knows no such address"), (302, "points elsewhere"), (422, "refused it"),
])  # fmt: skip
def test_a_refusal_that_would_be_the_same_next_time_is_given_up_at_once(
    doctor: Receiver, status: int, words: str
) -> None:
    takes(doctor)
    a_copy("3.0")
    doctor.mode = status
    assert swept() == {"given_up": 1}
    assert words in Notice.objects.get().last_error


def test_a_system_that_is_down_holds_up_nobody_else(doctor: Receiver) -> None:
    other = Practice.objects.create(code="P-OTHER", name="Saltrow practice", address="2 Quay\nSaltrow")
    with receiving() as gone:
        takes(gone)
    takes(doctor, other)
    first, second, third = a_copy("3.0"), a_copy("4.0"), a_copy("5.0", practice=other)
    assert swept() == {"failed": 1, "taken": 1}
    assert doctor.identifiers() == [f"RBN-{third.pk}"]
    told = dict(Notice.objects.values_list("letter_id", "attempts"))
    assert (told[first.pk], told[second.pk], told[third.pk]) == (1, 0, 1)
    assert Notice.objects.get(letter=first).last_error.startswith("Nobody answers at this address.")


def test_one_that_arrived_without_an_answer_is_sent_again_and_kept_once(doctor: Receiver) -> None:
    takes(doctor)
    a_copy("3.0")
    doctor.mode = "dies"
    assert swept() == {"failed": 1}
    assert "Nobody knows whether it arrived" in Notice.objects.get().last_error
    doctor.mode = "takes"
    assert swept(WAITS[0]) == {"taken": 1}
    assert (len(doctor.heard), len(doctor.kept)) == (2, 1)


def test_a_system_that_does_not_answer_in_time(doctor: Receiver, settings: Any) -> None:
    settings.NOTICE_SECONDS = 0.3
    takes(doctor)
    a_copy("3.0")
    doctor.mode = "holds"
    assert swept() == {"failed": 1}
    assert "did not answer in time" in Notice.objects.get().last_error


def test_a_withdrawn_result_is_not_told_late(doctor: Receiver) -> None:
    takes(doctor)
    letter = a_copy("3.0")
    doctor.mode = 500
    assert swept() == {"failed": 1}
    Result.objects.filter(pk=letter.result_id).update(is_current=False, is_deciding=False)
    doctor.mode = "takes"
    assert swept(WAITS[0]) == {"dropped": 1}
    assert (Notice.objects.get().state, doctor.kept) == ("dropped", {})


def test_a_claim_whose_worker_died_lapses_and_is_given_up_in_the_end(
    doctor: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    takes(doctor)
    a_copy("3.0")
    notices_plan(by=system())

    def dies(**_given: object) -> str:
        raise MemoryError

    monkeypatch.setattr("outreach.services.notices.posted", dies)
    later = timedelta()
    for _n in range(4):
        with pytest.raises(MemoryError):
            swept(later)
        assert swept(later) == {}
        later += timedelta(minutes=6)
    assert swept(later) == {"given_up": 1}
    assert Notice.objects.get().owner == admin()


def test_files_are_whole_and_written_once(tmp_path: Path, settings: Any) -> None:
    settings.NOTICE_FOLDER = str(tmp_path / "out")
    notice_route_set(by=admin(), practice=practice(), way="folder")
    letter = a_copy("3.0")
    assert swept() == {"taken": 1}
    (path,) = (tmp_path / "out" / practice().code).iterdir()
    assert path.name == f"RBN-{letter.pk}.json" == Notice.objects.get().receipt
    assert broken(json.loads(path.read_text())) == []


def test_a_folder_in_the_way_of_a_file_says_so(tmp_path: Path, settings: Any) -> None:
    (tmp_path / "out").write_text("a file")
    settings.NOTICE_FOLDER = str(tmp_path / "out")
    notice_route_set(by=admin(), practice=practice(), way="folder")
    a_copy("3.0")
    assert swept() == {"failed": 1}
    assert Notice.objects.get().last_error.startswith("The folder cannot be written")


@pytest.mark.parametrize(("address", "good"), [
    ("https://practice.example/fhir/Communication", True), ("http://127.0.0.1:8080/x", True), ("http://[::1]/x", True),
    ("http://localhost/x", True), ("http://practice.example/x", False), ("ftp://practice.example", False), ("practice", False),
    ("https://", False), ("https://a:b@practice.example/", False), ("https://practice.example:0/", False),
    ("https://practice.example:99999/", False), ("file:///etc/passwd", False), ("", False),
])  # fmt: skip
def test_only_addresses_that_keep_names_private(address: str, good: bool) -> None:
    assert (address_trouble(address) == "") == good


def test_files_need_a_folder_that_outlives_the_machine(settings: Any) -> None:
    settings.NOTICE_FOLDER = ""
    with pytest.raises(RoundbookError, match="No folder for notices"):
        notice_route_set(by=admin(), practice=practice(), way="folder")


def test_only_an_administrator_and_only_words_that_mean_something(doctor: Receiver) -> None:
    with pytest.raises(NotAllowed):
        notice_route_set(by=cast.member(cast.COORDINATOR), practice=practice(), way="off")
    for way, address in (("pigeon", ""), ("http", "http://practice.example")):
        with pytest.raises(RoundbookError):
            notice_route_set(by=admin(), practice=practice(), way=way, address=address)
    strange = Practice.objects.create(code="../up", name="Strange")
    with pytest.raises(RoundbookError):
        notice_route_set(by=admin(), practice=strange, way="folder")
    takes(doctor)
    a_copy("3.0")
    doctor.mode = 404
    swept()
    notice = Notice.objects.get()
    with pytest.raises(RoundbookError):
        notice_settle(by=admin(), notice=notice, note=" ")
    assert notice_settle(by=admin(), notice=notice, note="told by phone").state == "settled"
    with pytest.raises(IllegalMove):
        notice_settle(by=admin(), notice=notice, note="again")


def test_turning_it_off_ends_what_waits(doctor: Receiver) -> None:
    takes(doctor)
    a_copy("3.0")
    doctor.mode = 500
    swept()
    notice_route_set(by=admin(), practice=practice(), way="off")
    assert Notice.objects.get().state == "dropped"
    assert swept(timedelta(days=1)) == {}
    a_copy("4.0")
    assert (swept(), Notice.objects.count()) == ({}, 1)


def test_the_database_keeps_what_was_told(doctor: Receiver) -> None:
    takes(doctor)
    a_copy("3.0")
    swept()
    for change in ({"body": "{}"}, {"reference": "X"}, {"state": "given_up"}):
        with pytest.raises(DatabaseError), transaction.atomic():
            Notice.objects.update(**change)
    with pytest.raises(DatabaseError), transaction.atomic():
        Notice.objects.all().delete()


def test_the_page_of_the_administrator(signed_in: Any, doctor: Receiver) -> None:
    client = signed_in(cast.ADMINISTRATOR)
    url = reverse("outreach:notices")
    assert "No practice takes notices yet" in client.get(url).content.decode()
    bad = client.post(url, {"practice": practice().pk, "way": "http", "address": "http://practice.example"})
    assert bad.status_code == 422
    assert "begins with https" in bad.content.decode()
    good = client.post(
        url, {"practice": practice().pk, "way": "http", "address": doctor.address}, follow=True
    )
    assert "Saved" in good.content.decode()
    letter = a_copy("3.0")
    doctor.mode = 401
    swept()
    page = client.get(url).content.decode()
    assert f"RBN-{letter.pk}" in page
    assert "does not let us in" in page
    token = token_for(practice=practice().code, address=doctor.address)
    secret = page[: page.index(token)].rpartition("<details")[2]
    assert 'class="no-print"' in secret, "paper must not hold the token"
    person = Person.objects.get(pk=letter.person_id)
    assert person.family_name not in page
    assert "1 notice was given up" in client.get(reverse("staff:home")).content.decode()
    doctor.mode = "takes"
    client.post(reverse("outreach:notice-again", args=[letter.notice.pk]))
    assert swept() == {"taken": 1}
    again = client.post(reverse("outreach:practice-again", args=[practice().pk]), follow=True)
    assert "0 notices are sent again" in again.content.decode()
    settled = client.post(
        reverse("outreach:notice-settle", args=[letter.notice.pk]), {"note": "by phone"}, follow=True
    )
    assert "Only a notice that was given up" in settled.content.decode()
