"""Age of the journal: its months from the catalogue, what could go today with the exact command, and what went."""

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from oversight.models import ProofRun
from oversight.services.journal_age import journal_age
from oversight.services.journal_ageing import journal_age_out
from oversight.services.seal import seal_night
from staff import clock
from staff.models import User
from tests import cast
from tests.oversight.damaging import run, undone
from tests.oversight.test_journal_ageing import OLD, two

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
        gone = journal_age_out(**two())
        assert gone is not None
        after = journal_age()
        assert (after.leaving.rows, after.aged_out) == (0, [gone])
        assert not any(month.first and month.first.year == 2014 for month in after.months)
        text = page_of(cast.AUDITOR)
        assert gone.digest()[:16] in text
        assert "so nothing can go" in text


def test_a_young_journal_has_nothing_to_let_go_and_nobody_acts_here(signed_in: SignIn) -> None:
    text = signed_in(cast.ADMINISTRATOR).get(AT).content.decode()
    assert "No look is older than 1 June 2016, so nothing can go." in text
    assert "Today it would delete nothing." in text
    assert "Nothing has gone from the journal so far." in text
    assert text.count("<form") == signed_in(cast.ADMINISTRATOR).get("/").content.decode().count("<form")
    assert signed_in(cast.ADMINISTRATOR).post(AT).status_code == 405
    assert signed_in(cast.PHONE_DESK).get(AT).status_code == 403


def test_the_months_are_those_that_have_begun(region: object) -> None:
    months = [month.first for month in journal_age().months if month.first]
    assert months == sorted(months, reverse=True)
    assert str(months[0]) == "2026-06-01"
    assert all(month.size >= 0 for month in journal_age().months)
