"""The pages of follow-up: the queue with its filters, one referral in every state, forms that keep what was typed, roles."""

import re
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from results.models import Assessment, Booking, ContactAttempt, Examination, NextStep, Referral
from results.services import referrals as services
from results.states import REFERRAL
from screening.models import Area, Person
from staff import clock
from staff.models import AccessEntry
from tests import cast
from tests.results import follow_up as f
from tests.results.follow_up import do

QUEUE = "/follow-up/"
WEDNESDAY = date(2026, 6, 17)


@pytest.fixture
def page(signed_in: object) -> Client:
    """The coordinator's browser."""
    return signed_in(cast.COORDINATOR)


def look(client: Client, referral: Referral) -> str:
    """The page of a referral."""
    answer = client.get(reverse("results:referral", args=[referral.pk]))
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.mark.parametrize(
    ("name", "opens"), [(name, role in {"coordinator", "clinician"}) for role, name in cast.BY_ROLE.items()]
)
def test_the_pages_are_for_coordinators_and_clinicians(signed_in: object, name: str, opens: bool) -> None:
    referral = f.a_referral()
    client = signed_in(name)
    for url in (QUEUE, reverse("results:referral", args=[referral.pk])):
        assert client.get(url).status_code == (200 if opens else 403)
    answer = client.post(reverse("results:referral-do", args=[referral.pk, "claim"]))
    assert answer.status_code == (302 if opens else 403)


def test_an_empty_list_says_what_was_checked(page: Client) -> None:
    text = page.get(QUEUE).content.decode()
    assert "0 of 0 open referrals need anything here." in text
    assert "Checked:" in text


def test_the_list_puts_call_backs_first_and_then_the_most_overdue(page: Client) -> None:
    late, later, called = (f.a_referral(family_name=name) for name in ("Late", "Later", "Called"))
    services.contact_attempt_record(
        by=f.kaddrin(),
        referral=called,
        outcome="spoke",
        wish="call_back",
        call_back_on=WEDNESDAY,
        call_back_at="14:15",
    )
    services.referral_reschedule(by=f.kaddrin(), referral=late, due_on=WEDNESDAY, note="asked")
    text = page.get(QUEUE).content.decode()
    order = [
        text.index(words)
        for words in (
            "Call-backs promised",
            "Called, Marra",
            "Due today or overdue",
            "Late, Marra",
            "Later, Marra",
        )
    ]
    assert order == sorted(order)
    assert "14:15" in text
    assert "spoke with the person" in text
    assert set(AccessEntry.objects.values_list("person_id", flat=True)) == {
        late.person_id,
        later.person_id,
        called.person_id,
    }


def test_every_filter_stands_in_the_address(page: Client) -> None:
    Area.objects.first()
    area = Area.objects.get(code="SAL")
    mine, other, old = (
        f.a_referral(family_name="Mine"),
        f.a_referral("booked", family_name="Other"),
        f.a_referral(family_name="Old"),
    )
    Person.objects.filter(pk=other.person_id).update(area=area)
    Referral.objects.filter(pk=old.pk).update(opened_on=WEDNESDAY - timedelta(days=95))
    services.referral_claim(by=f.kaddrin(), referral=mine)
    for query, shown in (
        ("", {"Mine", "Other", "Old"}),
        ("?owner=mine", {"Mine"}),
        ("?owner=nobody", {"Other", "Old"}),
        ("?owner=coordinators", {"Other", "Old"}),
        ("?owner=clinicians", set()),
        ("?state=booked", {"Other"}),
        ("?area=SAL", {"Other"}),
        ("?past=promise", {"Old"}),
        ("?past=alarm", {"Old"}),
        ("?past=failed", set()),
        ("?state=nonsense&owner=x&past=y&page=zz", {"Mine", "Other", "Old"}),
    ):
        text = page.get(QUEUE + query).content.decode()
        assert {name for name in ("Mine", "Other", "Old") if f"{name}, Marra" in text} == shown, query
    assert "past alarm" in page.get(QUEUE + "?past=alarm").content.decode()


def test_claiming_from_the_list_returns_to_the_same_list(page: Client, signed_in: object) -> None:
    referral = f.a_referral()
    url = reverse("results:referral-do", args=[referral.pk, "claim"])
    answer = page.post(url, {"next": "/follow-up/?owner=nobody"})
    assert (answer.status_code, answer["Location"]) == (302, "/follow-up/?owner=nobody")
    referral.refresh_from_db()
    assert referral.owner == f.kaddrin()
    other = signed_in(cast.NURSE)
    answer = other.post(url, {"next": "https://elsewhere.example/"}, follow=True)
    assert "Kaddrin Fenwirth was faster" in answer.content.decode()


def test_two_thousand_open_referrals_take_as_many_queries_as_two(page: Client) -> None:
    f.many_referrals(2)
    page.get(QUEUE)
    with CaptureQueriesContext(connection) as few:
        page.get(QUEUE)
    f.many_referrals(2000)
    with CaptureQueriesContext(connection) as many:
        answer = page.get(QUEUE)
    text = answer.content.decode()
    assert len(many) == len(few) <= 24
    assert text.count("data-row-link") == 100
    assert "1 to 100 of 2002 open referrals" in text
    last = page.get(QUEUE + "?page=21").content.decode()
    assert "2001 to 2002 of 2002" in last
    assert "2001 to 2002 of 2002" in page.get(QUEUE + "?page=500").content.decode()


@pytest.mark.parametrize("state", [*REFERRAL.states])
@pytest.mark.parametrize("who", [cast.COORDINATOR, cast.CLINICIAN])
def test_every_state_has_its_page_with_the_form_that_is_needed(
    signed_in: object, state: str, who: str
) -> None:
    from results.views.referral_acts import NOW

    referral = f.a_referral(state)
    text = look(signed_in(who), referral)
    for slug in NOW[state]:
        assert (f'id="do-{slug}"' in text) is (who == cast.CLINICIAN or slug not in {"sign", "repeat"}), slug
    assert "84.2 µg/g" in text
    assert "the cutoff of 20 µg/g" in text
    assert "a result at or above the cutoff was released" in text
    assert "positive" not in text.lower()
    assert AccessEntry.objects.filter(person_id=referral.person_id, place="referral").count() == 1


def test_the_way_by_forms_alone_from_the_first_call_to_the_written_end(
    page: Client, signed_in: object
) -> None:
    referral = f.a_referral()
    assert (
        do(page, referral, "attempt", channel="phone", outcome="no_answer", note="rang twice").status_code
        == 302
    )
    assert do(page, referral, "talk", wish="go_on").status_code == 302
    answers = dict.fromkeys(f.ANSWERS, "no") | {"escort": "yes", "anticoagulants": "yes"}
    refused = do(page, referral, "assess", outcome="conditions", **answers)
    assert refused.status_code == 422
    assert "Write the plan for the blood thinners." in refused.content.decode()
    assert (
        do(
            page,
            referral,
            "assess",
            outcome="conditions",
            medicine_plan="Stop two days before.",
            plan="On a morning list.",
            preparation="macrogol",
            **answers,
        ).status_code
        == 302
    )
    assert do(page, referral, "request", site=f.unit().pk, note="ground floor").status_code == 302
    assert do(page, referral, "book", site=f.unit().pk, day="2026-06-17", time="14:00").status_code == 302
    assert do(page, referral, "attend", outcome="attended").status_code == 302
    given = {
        "number_on_report": referral.person.identifiers.get().value.lower(), "birth_on_report": "1964-03-09", "kind": "colonoscopy",
        "day": "2026-06-17", "complete": "yes", "prep_adequate": "yes", "specimens": 2, "finding": "non_advanced",
        "report_document": "REP-9",
    }  # fmt: skip
    assert do(page, referral, "report", **given).status_code == 302
    assert (
        do(page, referral, "histology", histology="Two tubular adenomas.", finding="non_advanced").status_code
        == 302
    )
    assert "A clinician decides the next step now" in look(page, referral)
    assert do(page, referral, "sign", finding="non_advanced", step="screening", words="x").status_code == 403
    doctor = signed_in(cast.CLINICIAN)
    assert (
        do(
            doctor, referral, "sign", finding="non_advanced", step="screening", words="Back in two years."
        ).status_code
        == 302
    )
    referral.refresh_from_db()
    assert (referral.state, referral.close_reason) == ("closed", "next_step_signed")
    assert Person.objects.get(pk=referral.person_id).next_due_on == date(2028, 6, 17)
    text = look(doctor, referral)
    for words in (
        "The written end",
        "Back in two years.",
        "rang twice",
        "Stop two days before.",
        "REP-9",
        "Dr Emrik Dauntel",
    ):
        assert words in text, words
    counts = [m.objects.count() for m in (ContactAttempt, Assessment, Booking, Examination, NextStep)]
    assert counts == [2, 1, 1, 1, 1]


def test_a_report_of_somebody_else_is_refused_and_what_was_typed_stays(page: Client) -> None:
    referral = f.a_referral("report_due")
    answer = do(
        page, referral, "report", number_on_report="T99", birth_on_report="1950-01-01", day="2026-06-17", complete="no",
        prep_adequate="yes", specimens=0, finding="nothing", report_document="REP-TYPED",
    )  # fmt: skip
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "This is not a number of this person" in text
    assert "This is not the birth date of this person" in text
    assert "REP-TYPED" in text
    assert not Examination.objects.exists()


def test_an_incomplete_clean_report_is_refused_in_words(page: Client) -> None:
    referral = f.a_referral("report_due")
    answer = do(
        page, referral, "report", number_on_report=referral.person.identifiers.get().value, birth_on_report="1964-03-09",
        kind="colonoscopy", day="2026-06-17", complete="no", prep_adequate="yes", specimens=0, finding="nothing",
        report_document="REP-TYPED",
    )  # fmt: skip
    assert answer.status_code == 422
    assert "can never be “no abnormality”" in answer.content.decode()
    assert "REP-TYPED" in answer.content.decode()


def test_a_booking_past_the_promise_warns_once(page: Client) -> None:
    referral = f.a_referral("to_book")
    typed = {"site": f.unit().pk, "day": "2026-07-25", "time": "09:00"}
    warned = do(page, referral, "book", **typed)
    assert warned.status_code == 422
    assert "will have waited 38 days; promised are 31" in warned.content.decode()
    assert 'name="book-late"' in warned.content.decode()
    assert do(page, referral, "book", late="on", **typed).status_code == 302
    assert Booking.objects.get().day == date(2026, 7, 25)


def test_a_stale_form_says_what_changed_and_keeps_what_was_typed(page: Client) -> None:
    referral = f.a_referral()
    seen = referral.last_seq
    services.contact_attempt_record(by=f.liora(), referral=referral, outcome="spoke", wish="think")
    answer = do(
        page, referral, "attempt", seen=seen, channel="phone", outcome="voicemail", note="said my first name"
    )
    text = answer.content.decode()
    assert answer.status_code == 409
    assert "Somebody changed this referral while you were writing" in text
    assert "Nurse Liora Vantz: Wants to think about it." in text
    assert "said my first name" in text
    now = re.search(r'name="attempt-seen" value="(\d+)"', text).group(1)
    assert int(now) == seen + 1
    again = do(
        page, referral, "attempt", seen=now, channel="phone", outcome="voicemail", note="said my first name"
    )
    assert again.status_code == 302
    assert ContactAttempt.objects.filter(outcome="voicemail").count() == 1


def test_closing_names_what_is_missing(page: Client, signed_in: object) -> None:
    referral = f.a_referral()
    answer = do(page, referral, "close", reason="informed_refusal", note="does not want it", refusal="fear")
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "Only a clinician can close for this reason" in text
    assert "nobody is closed on a relative&#x27;s word" in text
    assert "does not want it" in text
    answer = do(page, referral, "propose", note="letters came back")
    assert "There are too few attempts" in answer.content.decode()
    assert Referral.objects.get(pk=referral.pk).state == "to_reach"


def test_two_people_close_as_could_not_be_reached(page: Client, signed_in: object) -> None:
    from tests.results.test_referrals_closing import unreached

    referral = f.a_referral()
    unreached(referral)
    with clock.at(clock.moment(WEDNESDAY + timedelta(days=22), 12)):
        client = signed_in(cast.COORDINATOR)
        assert do(client, referral, "propose", note="letters came back").status_code == 302
        text = look(client, referral)
        assert "Kaddrin Fenwirth proposes to close" in text
        assert "A colleague must agree" in text
        assert do(client, referral, "agree").status_code == 422
        nurse = signed_in(cast.NURSE)
        assert "Look at the attempts below" in look(nurse, referral)
        assert do(nurse, referral, "agree").status_code == 302
    assert Referral.objects.get(pk=referral.pk).close_reason == "not_reached"


@pytest.mark.parametrize(
    ("state", "slug", "typed", "becomes"),
    [
        ("to_reach", "think", {"on": "2026-06-20"}, "undecided"),
        ("to_reach", "pause", {"until": "2026-07-01", "note": "travels"}, "paused_until"),
        ("to_book", "elsewhere", {"where": "private clinic"}, "elsewhere"),
        ("elsewhere", "chase", {"note": "rang"}, "elsewhere"),
        ("elsewhere", "resume", {}, "to_reach"),
        ("paused_until", "resume", {}, "to_reach"),
        ("paused_until", "talk", {"wish": "go_on"}, "to_assess"),
        ("undecided", "talk", {"wish": "declines"}, "undecided"),
        ("requested", "chase", {"note": "rang"}, "requested"),
        ("booked", "attend", {"outcome": "missed"}, "to_book"),
        ("to_reach", "date", {"due_on": "2026-06-25", "note": "asked"}, "to_reach"),
        ("to_reach", "hand-over", {"to": "", "note": "declines"}, "to_reach"),
        ("repeat_planned", "request", {"site": "unit"}, "requested"),
        ("closed", "reopen", {"note": "rang, wants it after all"}, "to_reach"),
    ],
)
def test_a_form_leads_on(page: Client, state: str, slug: str, typed: dict[str, object], becomes: str) -> None:
    referral = f.a_referral(state)
    if typed.get("site"):
        typed = {"site": f.unit().pk}
    answer = do(page, referral, slug, **typed)
    assert answer.status_code == 302, answer.content.decode()[:200]
    assert Referral.objects.get(pk=referral.pk).state == becomes
    assert "Recorded." in page.get(answer["Location"]).content.decode()


@pytest.mark.parametrize("slug", ["repeat", "sign"])
def test_a_clinicians_act_is_closed_to_a_coordinator(page: Client, slug: str) -> None:
    assert do(page, f.a_referral("to_classify"), slug, note="x").status_code == 403


def test_an_act_that_does_not_fit_the_state_is_refused_in_words(page: Client) -> None:
    referral = f.a_referral("to_classify")
    answer = do(page, referral, "talk", wish="think")
    assert answer.status_code == 409
    answer = do(page, referral, "book", site=f.unit().pk, day="2026-06-20", time="09:00")
    assert answer.status_code == 409
    assert "This referral stands at “decide the next step”" in answer.content.decode()
    assert do(page, referral, "nonsense").status_code == 404
    closed = f.a_referral("closed")
    answer = do(page, closed, "attempt", channel="phone", outcome="no_answer")
    assert answer.status_code == 409
    assert "This referral is closed" in answer.content.decode()
