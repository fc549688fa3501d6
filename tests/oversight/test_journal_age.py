"""Age of the journal: its months from the catalogue, what could go today, letting it go by two people's word, and what went."""

from collections.abc import Callable
from datetime import date, timedelta
from functools import partial

import pytest
from django.db import DatabaseError, IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from oversight.models import AgedOut, AgeingAsked, ProofRun
from oversight.services.journal_age import journal_age
from oversight.services.journal_asked import ageing_agree, ageing_ask, ageing_do, ageing_question
from oversight.services.seal import seal_night
from staff import clock
from staff.errors import NotAllowed, RoundbookError
from staff.models import AccessEntry, Posting, User
from tests import cast
from tests.conftest import NOON
from tests.oversight.damaging import run, undone
from tests.oversight.test_journal_ageing import OLD

SignIn = Callable[[str], Client]
AT = reverse("oversight:journal-age")


def page_of(username: str) -> str:
    client = Client()
    client.force_login(cast.member(username), backend="django.contrib.auth.backends.ModelBackend")
    return client.get(AT).content.decode()


@pytest.mark.timeout(600)
@pytest.mark.xdist_group("rehearsal")
def test_the_page_says_what_could_go_and_then_what_went(as_owner_of_region: ProofRun) -> None:
    with undone():
        run("SELECT roundbook_ensure_month('staff_accessentry', '2014-03-01')")
        run(OLD)
        age = journal_age()
        assert (age.leaving.rows, age.sealed, age.years) == (60, False, 10)
        assert "Some of them are not sealed yet" in page_of(cast.ADMINISTRATOR)
        seal_night(by=User.objects.system(), day=clock.today())
        assert journal_age().sealed
        text = page_of(cast.ADMINISTRATOR)
        assert "60 looks, at 30 people" in text
        assert f"manage.py age_out_journal --asked-by {cast.ADMINISTRATOR} --agreed-by COLLEAGUE" in text
        march = next(month for month in age.months if month.first and month.first.year == 2014)
        assert str(march.may_go) == "2024-04-01"
        boss, other = cast.member(cast.ADMINISTRATOR), cast.member(cast.MANAGER)
        assert "Ask that they go" in text
        asked = ageing_ask(by=boss)
        assert ageing_ask(by=other) == asked, "asked once a month"
        assert "Another administrator or manager has to agree" in page_of(cast.ADMINISTRATOR)
        assert "Agree that they go" not in page_of(cast.ADMINISTRATOR)
        assert "Agree that they go" in page_of(cast.MANAGER)
        assert "Agree that they go" not in page_of(cast.AUDITOR)
        assert ageing_do(by=User.objects.system()) is False, "nobody has agreed"
        ageing_agree(by=other, asked=asked)
        assert "They go when the journal has been held against its seal." in page_of(cast.MANAGER)
        assert ageing_do(by=User.objects.system()) is True
        assert ageing_do(by=User.objects.system()) is False, "done once"
        gone = AgedOut.objects.get()
        assert (gone.asked_by, gone.agreed_by, gone.rows) == (boss, other, 60)
        after = journal_age()
        assert (after.leaving.rows, after.aged_out) == (0, [gone])
        assert not any(month.first and month.first.year == 2014 for month in after.months)
        text = page_of(cast.AUDITOR)
        assert gone.digest()[:16] in text
        assert "so nothing can go" in text


@pytest.mark.timeout(600)
@pytest.mark.xdist_group("rehearsal")
def test_a_refusal_is_told_and_tried_again_the_next_day(as_owner_of_region: ProofRun) -> None:
    system = User.objects.system()
    with undone():
        run(OLD)
        asked = ageing_ask(by=cast.member(cast.MANAGER))
        ageing_agree(by=cast.member(cast.ADMINISTRATOR), asked=asked)
        assert ageing_do(by=system) is False
        assert "are not sealed yet" in page_of(cast.MANAGER)
        assert "It is tried again every day of this month." in page_of(cast.MANAGER)
        seal_night(by=system, day=clock.today())
        assert ageing_do(by=system) is False, "once a day"
        with clock.at(NOON + timedelta(days=1)):
            assert ageing_do(by=system) is True
        assert AgeingAsked.objects.get().refused == ""
        assert AgedOut.objects.get().rows == 60


def an_old_look() -> None:
    AccessEntry.objects.bulk_create(
        [
            AccessEntry(
                id=7, at=clock.moment(date(2014, 3, 5)), user_id=1, person_id=1, purpose="call", place="x"
            )
        ]
    )


def code_of(call: Callable[[], object]) -> str:
    with pytest.raises(RoundbookError) as refused:
        call()
    return refused.value.code


@pytest.mark.usefixtures("region")
def test_one_asks_and_another_agrees_in_the_same_month() -> None:
    boss, other = cast.member(cast.ADMINISTRATOR), cast.member(cast.MANAGER)
    assert code_of(lambda: ageing_ask(by=boss)) == "nothing_to_go"
    an_old_look()
    asked = ageing_ask(by=boss)
    assert code_of(lambda: ageing_agree(by=boss, asked=asked)) == "second_person"
    for call in (ageing_ask, partial(ageing_agree, asked=asked)):
        with pytest.raises(NotAllowed):
            call(by=cast.member(cast.AUDITOR))
    with clock.at(NOON + timedelta(days=20)):
        assert code_of(lambda: ageing_agree(by=other, asked=asked)) == "lapsed"
        assert ageing_question() is None
    agreed = ageing_agree(by=other, asked=asked)
    third = User.objects.create(username="third", full_name="Third")
    Posting.objects.create(user=third, role="manager")
    assert ageing_agree(by=third, asked=agreed).agreed_by == other, "agreed before, it stays"
    with pytest.raises(IntegrityError, match="let_go_by_a_second_person"), transaction.atomic():
        AgeingAsked.objects.update(agreed_by=boss)
    with pytest.raises(DatabaseError), transaction.atomic():
        AgeingAsked.objects.update(asked_by=other)


def test_asked_and_agreed_on_the_page(signed_in: SignIn) -> None:
    an_old_look()
    done = signed_in(cast.ADMINISTRATOR).post(reverse("oversight:journal-ask"), follow=True)
    assert "Another administrator or manager has to agree." in done.text
    at = reverse("oversight:journal-agree", args=[AgeingAsked.objects.get().pk])
    assert "Somebody else has to agree." in signed_in(cast.ADMINISTRATOR).post(at, follow=True).text
    assert "It is agreed." in signed_in(cast.MANAGER).post(at, follow=True).text
    assert signed_in(cast.AUDITOR).post(at).status_code == 403


def test_a_young_journal_has_nothing_to_let_go(signed_in: SignIn) -> None:
    text = signed_in(cast.ADMINISTRATOR).get(AT).content.decode()
    assert "No look is older than 1 June 2016, so nothing can go." in text
    assert "Today it would delete nothing." in text
    assert "Nothing has gone from the journal so far." in text
    assert "Ask that they go" not in text
    again = signed_in(cast.ADMINISTRATOR).post(reverse("oversight:journal-ask"), follow=True)
    assert "there is nothing to ask for" in again.text
    assert signed_in(cast.ADMINISTRATOR).post(AT).status_code == 405
    assert signed_in(cast.PHONE_DESK).get(AT).status_code == 403


def test_the_months_are_those_that_have_begun(region: object) -> None:
    months = [month.first for month in journal_age().months if month.first]
    assert months == sorted(months, reverse=True)
    assert str(months[0]) == "2026-06-01"
    assert all(month.size >= 0 for month in journal_age().months)
