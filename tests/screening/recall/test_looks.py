"""Records opened with a reason: marked once a day, reviewed by an auditor who is not the one who looked, followed up in words.

Source: the programme's job description 9 (break-glass: reviewed within five working days) and 3g, I37.
"""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import DatabaseError, IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from screening.access import person_open_with_reason
from screening.models import LookFollowUp, LookReview, ReasonedLook
from screening.services.looks import (
    Told,
    look_follow_up,
    look_review,
    looks_in_order,
    looks_reviewed,
    looks_to_review,
    looks_unanswered,
    looks_waiting,
)
from staff import clock
from staff.errors import NotAllowed, RoundbookError
from staff.models import AccessEntry, NonWorkingDay, Posting, User
from staff.roles import Role
from tests import cast, factories
from tests.conftest import NOON
from tests.looks import asked_why, on_the_list

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]
AT = reverse("screening:looks")
TODAY = date(2026, 6, 17)
"""A Wednesday, noon by the tests' clock."""


def auditor() -> User:
    return cast.member(cast.AUDITOR)


def a_look(
    days_ago: int = 0, *, who: str = cast.PHONE_DESK, words: str = "her daughter rang"
) -> ReasonedLook:
    """Somebody opened a person outside their lists so many days ago."""
    person = factories.a_person()
    with clock.at(NOON - timedelta(days=days_ago)):
        person_open_with_reason(by=cast.member(who), person_id=person.pk, purpose="call", words=words)
    return ReasonedLook.objects.get(person=person)


def code_of(call: Callable[[], object]) -> str:
    with pytest.raises(RoundbookError) as refused, transaction.atomic():
        call()
    return refused.value.code


def test_a_reason_is_marked_with_the_look_and_once_a_day(signed_in: SignIn) -> None:
    person = factories.a_person()
    client = signed_in(cast.PHONE_DESK)
    asked_why(client, person, note=" her daughter rang ")
    asked_why(client, person, note="said again")
    look = ReasonedLook.objects.get()
    assert (look.user, look.person, look.day, look.purpose, look.words) == (
        cast.member(cast.PHONE_DESK), person, TODAY, "call", "her daughter rang",
    )  # fmt: skip
    entries = AccessEntry.objects.filter(person_id=person.pk, purpose="call").order_by("pk")
    assert [e.place for e in entries] == [
        f"screening:person ({w})" for w in ("her daughter rang", "said again")
    ]
    assert entries[0].at == look.at
    with clock.at(NOON + timedelta(days=1)):
        person_open_with_reason(by=look.user, person_id=person.pk, purpose="check")
    assert ReasonedLook.objects.count() == 2


def test_a_look_from_a_list_or_without_a_reason_leaves_no_mark(signed_in: SignIn) -> None:
    person = factories.a_person()
    client = signed_in(cast.PHONE_DESK)
    client.post(f"/people/{person.pk}/look/", {"purpose": "idle"})
    on_the_list(cast.PHONE_DESK, person.pk)
    assert client.get(f"/people/{person.pk}/").status_code == 200
    assert not ReasonedLook.objects.exists()
    by = cast.member(cast.PHONE_DESK)
    assert (
        code_of(lambda: person_open_with_reason(by=by, person_id=person.pk, purpose="search"))
        == "reason_missing"
    )
    with pytest.raises(IntegrityError, match="opened_record_has_a_reason"), transaction.atomic():
        ReasonedLook.objects.create(person=person, user=by, day=TODAY, at=NOON, purpose="search")


def test_the_oldest_comes_first_with_the_working_days_left() -> None:
    NonWorkingDay.objects.create(day=date(2026, 6, 15), name="Harbour day")
    late, last, fresh = a_look(9), a_look(8), a_look(0)
    rows = looks_to_review(by=auditor())
    assert [(row.look, row.due_on, row.left) for row in rows] == [
        (late, date(2026, 6, 16), -1), (last, date(2026, 6, 17), 0), (fresh, date(2026, 6, 24), 5),
    ]  # fmt: skip
    assert looks_waiting() == (3, 1, 0)
    number = fresh.person.identifiers.get().value
    assert rows[-1].number.replace(" ", "") == number


def test_many_are_in_order_at_once_and_twice_changes_nothing() -> None:
    first, second, other = a_look(), a_look(), a_look()
    assert looks_in_order(by=auditor(), look_ids=[first.pk, second.pk]) == Told(2, 0, 0)
    assert looks_in_order(by=auditor(), look_ids=[first.pk, second.pk, 999_999]) == Told(0, 3, 0)
    assert [row.look for row in looks_to_review(by=auditor())] == [other]
    assert {(r.look_id, r.in_order, r.reviewed_by) for r in LookReview.objects.all()} == {
        (first.pk, True, auditor()), (second.pk, True, auditor()),
    }  # fmt: skip
    assert code_of(lambda: looks_in_order(by=auditor(), look_ids=[])) == "nothing_ticked"


def test_nobody_reviews_or_answers_for_their_own_look() -> None:
    Posting.objects.create(user=cast.member(cast.PHONE_DESK), role=Role.AUDITOR)
    own, other = a_look(), a_look(who=cast.COORDINATOR)
    both = cast.member(cast.PHONE_DESK)
    assert {row.look: row.own for row in looks_to_review(by=both)} == {own: True, other: False}
    assert looks_in_order(by=both, look_ids=[own.pk, other.pk]) == Told(1, 0, 1)
    assert code_of(lambda: look_review(by=both, look=own, in_order=True)) == "own_look"
    review = look_review(by=auditor(), look=own, in_order=False, words="no call that day")
    assert code_of(lambda: look_follow_up(by=both, review=review, words="it was me")) == "own_look"
    for row in (
        LookReview(look=own, replaces=review, in_order=True, words="x", reviewed_at=NOON, reviewed_by=both),
        LookFollowUp(review=review, words="x", written_at=NOON, written_by=both),
    ):
        with pytest.raises(DatabaseError, match="nobody_judges_the_own_look"), transaction.atomic():
            row.save()


@pytest.mark.parametrize("role", sorted(set(cast.BY_ROLE) - {"auditor"}))
def test_only_an_auditor_reviews_and_only_the_manager_besides_writes_what_was_done(role: str) -> None:
    by, look = cast.member(cast.BY_ROLE[role]), a_look(who=cast.NURSE)
    review = look_review(by=auditor(), look=look, in_order=False, words="no call that day")
    for call in (
        lambda: looks_in_order(by=by, look_ids=[look.pk]), lambda: looks_to_review(by=by),
        lambda: looks_reviewed(by=by), lambda: look_review(by=by, look=look, in_order=True),
    ):  # fmt: skip
        with pytest.raises(NotAllowed):
            call()
    if role == "manager":
        assert look_follow_up(by=by, review=review, words="talked with her").written_by == by
    else:
        with pytest.raises(NotAllowed):
            look_follow_up(by=by, review=review, words="talked with her")


def test_words_are_needed_where_it_is_not_in_order_and_for_another_review() -> None:
    look = a_look()
    assert code_of(lambda: look_review(by=auditor(), look=look, in_order=False, words=" ")) == "words_missing"
    first = look_review(by=auditor(), look=look, in_order=True)
    again = {"by": auditor(), "look": look, "in_order": False, "replaces": first.pk}
    assert code_of(lambda: look_review(**again)) == "words_missing"
    second = look_review(**again, words="the daughter never rang")
    assert look_review(**again, words="the daughter never rang") == second, "sent twice"
    assert [row.review for row in looks_unanswered(by=auditor())] == [second], "the last one is in force"
    assert code_of(lambda: look_review(**again, words="other words")) == "stale"
    assert code_of(lambda: look_review(by=auditor(), look=look, in_order=True)) == "stale"
    assert (
        code_of(
            lambda: look_review(by=auditor(), look=a_look(), in_order=True, words="x", replaces=second.pk)
        )
        == "stale"
    )
    for wrong, name in (
        ({"in_order": False, "words": ""}, "look_not_in_order_says_why"),
        ({"in_order": True, "words": "", "replaces": second}, "another_review_says_why"),
        ({"in_order": True, "words": "x", "replaces": first}, "a_review_is_replaced_once"),
    ):
        with pytest.raises(IntegrityError, match=name), transaction.atomic():
            LookReview.objects.create(look=look, reviewed_at=NOON, reviewed_by=auditor(), **wrong)
    with pytest.raises(DatabaseError, match="one_of_the_same_look"), transaction.atomic():
        LookReview.objects.create(
            look=a_look(), reviewed_at=NOON, reviewed_by=auditor(), in_order=True, words="x", replaces=second
        )


def test_what_is_not_in_order_stays_until_somebody_writes_what_was_done() -> None:
    look, manager = a_look(), cast.member(cast.MANAGER)
    review = look_review(by=auditor(), look=look, in_order=False, words="no call that day")
    assert looks_waiting() == (0, 0, 1)
    assert [row.look for row in looks_unanswered(by=manager)] == [look]
    assert code_of(lambda: look_follow_up(by=manager, review=review, words="  ")) == "words_missing"
    done = look_follow_up(by=manager, review=review, words="talked with her")
    assert look_follow_up(by=manager, review=review, words="talked with her") == done, "sent twice"
    assert code_of(lambda: look_follow_up(by=auditor(), review=review, words="so did I")) == "stale"
    assert looks_unanswered(by=manager) == []
    assert [(r.look, r.follow_up, r.reviews) for r in looks_reviewed(by=auditor())] == [(look, done, 1)]
    good = look_review(by=auditor(), look=look, in_order=True, words="the call was found", replaces=review.pk)
    assert code_of(lambda: look_follow_up(by=manager, review=good, words="x")) == "in_order"
    assert code_of(lambda: look_follow_up(by=manager, review=review, words="talked with her")) == "stale"


@pytest.mark.parametrize("model", [ReasonedLook, LookReview, LookFollowUp])
def test_no_row_is_changed_or_deleted(model: type) -> None:
    review = look_review(by=auditor(), look=a_look(), in_order=False, words="no call that day")
    look_follow_up(by=auditor(), review=review, words="talked with her")
    for change in (
        lambda: model.objects.update(words="other"),
        lambda: model.objects.all()._raw_delete("default"),
    ):
        with pytest.raises(DatabaseError), transaction.atomic():
            change()


def test_the_page_reviews_many_and_one(signed_in: SignIn) -> None:
    late, one, two = a_look(12), a_look(), a_look()
    client = signed_in(cast.AUDITOR)
    page = client.get(AT)
    assert "3 looks, as read on" in page.text
    assert "3 working days late" in page.text
    assert late.person.family_name not in page.text
    assert "her daughter rang" in page.text
    assert (
        "Tick the looks that are in order"
        in client.post(reverse("screening:looks-in-order"), follow=True).text
    )
    ticked = {"look": [late.pk, one.pk]}
    assert (
        "2 looks are in order." in client.post(reverse("screening:looks-in-order"), ticked, follow=True).text
    )
    assert (
        "2 had been reviewed before"
        in client.post(reverse("screening:looks-in-order"), ticked, follow=True).text
    )
    at = reverse("screening:look-review", args=[two.pk])
    wrong = client.post(at, {"verdict": "no", "words": ""})
    assert (wrong.status_code, "Say in words what is not in order." in wrong.text) == (422, True)
    done = client.post(at, {"verdict": "no", "words": "no call that day"}, follow=True)
    assert "The review is written." in done.text
    assert "Every record that was opened with a reason has been reviewed." in done.text
    first = LookReview.objects.get(look=two)
    assert f'name="replaces" value="{first.pk}"' in done.text, "it can be judged again at once"
    again = client.post(
        at, {"verdict": "yes", "words": "the call was found", "replaces": first.pk}, follow=True
    )
    assert "1 earlier review" in again.text
    assert "No look that was not in order waits for words." in again.text
    stale = client.post(at, {"verdict": "yes", "words": ""})
    assert (stale.status_code, "reviewed this look meanwhile" in stale.text) == (422, True)


def test_the_manager_sees_what_was_not_in_order_and_writes_what_was_done(signed_in: SignIn) -> None:
    a_look()
    review = look_review(by=auditor(), look=a_look(words="curious"), in_order=False, words="no call that day")
    client = signed_in(cast.MANAGER)
    page = client.get(AT)
    assert "To be reviewed" not in page.text
    assert "no call that day" in page.text
    assert "1 not in order, nothing done yet" in client.get("/").text
    at = reverse("screening:look-follow-up", args=[review.pk])
    wrong = client.post(at, {"words": ""})
    assert (wrong.status_code, "Say in words what was done about it." in wrong.text) == (422, True)
    done = client.post(at, {"words": "talked with her"}, follow=True)
    assert "The look has left the list." in done.text
    assert "No look that was not in order waits for words." in done.text
    assert client.post(reverse("screening:looks-in-order"), {"look": [1]}).status_code == 403


def test_the_list_costs_what_the_reasons_cost_and_not_what_the_journal_holds(
    django_assert_max_num_queries: Callable[[int], object],
) -> None:
    look = a_look()
    AccessEntry.objects.bulk_create(
        AccessEntry(id=n, at=NOON, user_id=look.user_id, person_id=look.person_id, purpose="check", place="x")
        for n in range(1000, 3000)
    )
    with django_assert_max_num_queries(5) as seen:
        assert len(looks_to_review(by=auditor())) == 1
    assert not any("staff_accessentry" in query["sql"] for query in seen.captured_queries)
