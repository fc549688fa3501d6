"""Who may sign in: since when each live account is confirmed, and the confirming, in bulk, never of oneself.

Source: the programme's job description 3g, I38 (confirmed in the last 90 days) and 9 (accounts).
"""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import DatabaseError, IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from staff import clock
from staff.acting import acting
from staff.errors import NotAllowed, RoundbookError
from staff.models import AccountConfirmation, Posting, Site, User
from staff.services.accounts import Place, account_active, account_add, account_roles
from staff.services.clients import client_make
from staff.services.confirmations import accounts_confirm, accounts_late_soon, accounts_live
from tests import cast
from tests.conftest import NOON

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]
AT = reverse("staff:accounts")
TODAY = date(2026, 6, 17)
LATER = NOON + timedelta(days=100)


def manager() -> User:
    return cast.member(cast.MANAGER)


def administrator() -> User:
    return cast.member(cast.ADMINISTRATOR)


def told(username: str, by: User | None = None) -> tuple[int, str]:
    """The days left of an account, and how it was confirmed last."""
    (row,) = [row for row in accounts_live(by=by or manager()) if row.user.username == username]
    return row.left, str(row.how)


def code_of(call: Callable[[], object]) -> str:
    with pytest.raises(RoundbookError) as refused, transaction.atomic():
        call()
    return refused.value.code


def test_adding_roles_and_opening_again_confirm_an_account_and_time_takes_it_away() -> None:
    assert told(cast.NURSE) == (90, "account added")
    with clock.at(NOON + timedelta(days=30)):
        new = account_add(
            by=administrator(), username="bram", full_name="Bram Keld", password="violet-harbour-42",
            places=[Place("phone_desk")],
        )  # fmt: skip
        assert told("bram")[0] == 90
        account_roles(by=administrator(), user=cast.member(cast.NURSE), places=[Place("clinician")])
    with clock.at(NOON + timedelta(days=60)):
        assert told(cast.NURSE) == (60, "roles changed")
        assert told(cast.CLINICIAN)[0] == 30
        account_active(by=administrator(), user=new, active=False)
        assert "bram" not in {row.user.username for row in accounts_live(by=manager())}
    with clock.at(NOON + timedelta(days=61)):
        account_active(by=administrator(), user=new, active=True)
        assert told("bram") == (90, "account opened again")
        new.refresh_from_db()
        with acting(administrator()):
            new.full_name = "Bram Keldren"
            new.save()
    with clock.at(LATER):
        assert told("bram") == (51, "account opened again"), "another name confirms nothing"
        assert told(cast.CLINICIAN) == (-10, "account added")
        assert accounts_late_soon() == (12, 0)


def test_who_changes_the_own_roles_is_not_confirmed_by_it() -> None:
    with clock.at(LATER):
        account_roles(
            by=administrator(), user=administrator(), places=[Place("administrator"), Place("manager")]
        )
        assert told(cast.ADMINISTRATOR)[0] == -10


def test_many_are_confirmed_at_once_and_twice_a_day_writes_one() -> None:
    ids = [cast.member(name).pk for name in (cast.NURSE, cast.CLINICIAN)]
    with clock.at(LATER):
        assert accounts_confirm(by=manager(), user_ids=ids, words=" gone through ") == 2
        assert accounts_confirm(by=manager(), user_ids=ids) == 0
        assert told(cast.NURSE) == (90, "confirmed")
        row = AccountConfirmation.objects.get(user=ids[0])
        assert (row.by, row.on, row.words) == (manager(), clock.today(), "gone through")
        account_active(by=administrator(), user=cast.member(cast.NURSE), active=False)
        assert accounts_confirm(by=administrator(), user_ids=ids) == 1, "a closed account is passed over"
        assert code_of(lambda: accounts_confirm(by=manager(), user_ids=[])) == "nothing_ticked"


def test_nobody_confirms_the_own_account() -> None:
    ids = [manager().pk, cast.member(cast.NURSE).pk]
    assert code_of(lambda: accounts_confirm(by=manager(), user_ids=ids)) == "own_account"
    assert not AccountConfirmation.objects.exists()
    with pytest.raises(IntegrityError, match="nobody_confirms_the_own_account"), transaction.atomic():
        AccountConfirmation.objects.create(user=manager(), by=manager(), on=TODAY, at=NOON)
    assert accounts_confirm(by=administrator(), user_ids=[manager().pk]) == 1


def test_a_manager_of_one_site_confirms_who_works_there() -> None:
    site = Site.objects.get(code="QLAB")
    with acting(administrator()):
        manager().postings.all().delete()
        Posting.objects.create(user=manager(), role="manager", site=site)
        cast.member(cast.LABORATORY).postings.all().delete()
        Posting.objects.create(user=cast.member(cast.LABORATORY), role="laboratory", site=site)
    ours = {row.user.username for row in accounts_live(by=manager()) if row.ours}
    assert ours == {cast.LABORATORY}
    assert accounts_confirm(by=manager(), user_ids=[cast.member(cast.LABORATORY).pk]) == 1
    assert (
        code_of(lambda: accounts_confirm(by=manager(), user_ids=[cast.member(cast.NURSE).pk])) == "other_site"
    )


def test_programs_and_the_system_are_left_out() -> None:
    made = client_make(
        by=administrator(), name="Ward system", about="call 12", role="clinician", site=None, days=30
    )
    listed = {row.user.pk for row in accounts_live(by=manager())}
    assert made.token.client.user_id not in listed
    assert User.objects.system().pk not in listed
    assert len(listed) == 13
    both = [made.token.client.user_id, User.objects.system().pk]
    assert accounts_confirm(by=manager(), user_ids=both) == 0


@pytest.mark.parametrize("role", sorted(set(cast.BY_ROLE) - {"manager", "administrator"}))
def test_nobody_else_sees_or_confirms_accounts(role: str) -> None:
    by = cast.member(cast.BY_ROLE[role])
    with pytest.raises(NotAllowed):
        accounts_live(by=by)
    with pytest.raises(NotAllowed):
        accounts_confirm(by=by, user_ids=[manager().pk])


def test_no_confirmation_is_changed_or_deleted() -> None:
    accounts_confirm(by=manager(), user_ids=[administrator().pk])
    rows = AccountConfirmation.objects.all()
    for change in (lambda: rows.update(words="other"), lambda: rows._raw_delete("default")):
        with pytest.raises(DatabaseError), transaction.atomic():
            change()


def test_the_page_confirms_what_is_ticked_and_says_what_is_wrong(signed_in: SignIn) -> None:
    client = signed_in(cast.MANAGER)
    page = client.get(AT)
    assert "13 live accounts" in page.text
    assert "your own: another confirms it" in page.text
    assert "Close the account" not in page.text, "that is an administrator's"
    wrong = client.post(AT, {"words": ""})
    assert (wrong.status_code, "Tick the people who still work here" in wrong.text) == (422, True)
    own = client.post(AT, {"account": [manager().pk]})
    assert (own.status_code, "Nobody confirms their own account." in own.text) == (422, True)
    ticked = {"account": [administrator().pk, cast.member(cast.NURSE).pk], "words": "gone through"}
    assert "2 accounts are confirmed." in client.post(AT, ticked, follow=True).text
    assert "They had been confirmed today" in client.post(AT, ticked, follow=True).text
    assert client.post(AT, {"account": ["x", "9" * 40]}).status_code == 422


def test_whoever_alone_may_confirm_is_told_to_have_a_second_person(signed_in: SignIn) -> None:
    words = "Make a second person one of them"
    assert words not in signed_in(cast.MANAGER).get(AT).text
    account_active(by=administrator(), user=manager(), active=False)
    assert words in signed_in(cast.ADMINISTRATOR).get(AT).text


def test_an_administrator_closes_an_account_from_the_page(signed_in: SignIn) -> None:
    client, nurse = signed_in(cast.ADMINISTRATOR), cast.member(cast.NURSE)
    done = client.post(reverse("staff:account-close", args=[nurse.pk]), follow=True)
    assert f"The account of {nurse.full_name} is closed." in done.text
    nurse.refresh_from_db()
    assert not nurse.is_active
    last = client.post(reverse("staff:account-close", args=[administrator().pk]), follow=True)
    assert "Make somebody else an administrator first." in last.text
    system = reverse("staff:account-close", args=[User.objects.system().pk])
    assert client.post(system).status_code == 404
    assert signed_in(cast.MANAGER).post(reverse("staff:account-close", args=[nurse.pk])).status_code == 403


def test_the_first_page_says_whose_account_waits(signed_in: SignIn) -> None:
    client = signed_in(cast.MANAGER)
    assert "every account is confirmed" in client.get("/").text
    with clock.at(NOON + timedelta(days=80)):
        assert accounts_late_soon() == (0, 13)
