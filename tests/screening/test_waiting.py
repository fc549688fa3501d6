"""Rounds that no rule brings forward: each belongs to the phone desk with a date, stands on its list, and can be closed."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from screening.models import Kit, Person, Return, Round
from screening.services.batches import kit_reported_lost, kit_undelivered, replacements_send
from screening.services.intake import return_solve
from screening.services.waiting import waiting_round_close, waiting_rounds
from staff import clock
from staff.errors import RoundbookError
from staff.models import AccessEntry, User
from tests import cast, factories
from tests.screening.intake import bench

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]


@pytest.fixture
def by() -> User:
    return cast.member(cast.PHONE_DESK)


def third_kit(by: User) -> Kit:
    """The last kit a round may have, with the person."""
    round_ = factories.a_round(sent_days_ago=20)
    for _ in range(2):
        kit_reported_lost(by=by, kit=round_.kits.order_by("-ordinal")[0])
        factories.a_kit()
        assert replacements_send(by=by, round_ids=[round_.pk]) == 1
    return round_.kits.get(ordinal=3)


def scanned_unsuitable(by: User) -> int:
    """The last kit is found unsuitable at the bench."""
    kit = third_kit(by)
    bench.scan(bench.a_session(), kit.serial, "", "over_full")
    return int(kit.round_id or 0)


def solved_unsuitable(by: User) -> int:
    """The last kit is set aside and found unsuitable later."""
    kit = third_kit(by)
    bench.scan(bench.a_session(), kit.serial, "", "no_name")
    return_solve(by=by, return_=Return.objects.get(kit=kit), answer="unsuitable")
    return int(kit.round_id or 0)


def lost(by: User) -> int:
    """The last kit is gone, too."""
    kit = third_kit(by)
    kit_reported_lost(by=by, kit=kit)
    replacements_send(by=by)
    return int(kit.round_id or 0)


def undelivered(by: User) -> int:
    """The first kit could not be delivered."""
    round_ = factories.a_round()
    kit_undelivered(by=by, kit=round_.kits.get())
    return round_.pk


# Source: common practice, no source: every open round has an owner, a next date and a way to its end.
@pytest.mark.parametrize(
    ("happens", "state", "code", "reason"),
    [
        (scanned_unsuitable, "result_due", "no_kit_left", "no_usable_sample"),
        (solved_unsuitable, "result_due", "no_kit_left", "no_usable_sample"),
        (lost, "kit_due", "no_more_replacements", "no_usable_sample"),
        (undelivered, "kit_due", "undelivered", "undeliverable"),
    ],
)
def test_a_round_without_a_way_forward_waits_for_the_phone_desk_and_can_be_closed(
    by: User, happens: Callable[[User], int], state: str, code: str, reason: str
) -> None:
    round_ = Round.objects.get(pk=happens(by))
    assert (round_.state, round_.pool) == (state, "phone_desk")
    assert round_.due_on is not None
    assert round_.due_on <= clock.today() + timedelta(days=7)
    (row,), total = waiting_rounds(by=by)
    assert (row.round_id, row.code, total) == (round_.pk, code, 1)
    assert AccessEntry.objects.filter(person_id=round_.person_id, place="waiting-rounds").exists()
    closed = waiting_round_close(by=by, round_id=round_.pk)
    assert (closed.state, closed.close_reason) == ("closed", reason)
    assert Person.objects.get(pk=round_.person_id).next_due_on is not None
    assert waiting_rounds(by=by) == ([], 0)
    with pytest.raises(RoundbookError) as again:
        waiting_round_close(by=by, round_id=round_.pk)
    assert again.value.code == "not_waiting"


def test_an_unfit_kit_beside_one_that_is_still_out_waits_for_that_one(by: User) -> None:
    kit = bench.second_kit()
    first = kit.round.kits.get(ordinal=1)
    bench.scan(bench.a_session(), first.serial, "", "no_name")
    return_solve(by=by, return_=Return.objects.get(kit=first), answer="unsuitable")
    (row,), _total = waiting_rounds(by=by)
    assert (row.code, row.due_on) == ("kit_still_out", clock.today() + timedelta(days=60))


def test_a_round_that_waits_for_its_result_or_its_kit_is_not_on_the_list(by: User) -> None:
    factories.a_ready_return()
    factories.a_round()
    factories.a_round(state="kit_due")
    back = factories.a_round()
    bench.scan(bench.a_session(), back.kits.get().serial, "", "no_name")
    assert waiting_rounds(by=by) == ([], 0)
    with pytest.raises(RoundbookError):
        waiting_round_close(by=by, round_id=back.pk)


def test_the_phone_desk_closes_or_sends_from_invite(signed_in: SignIn, by: User) -> None:
    ends, goes = Round.objects.get(pk=scanned_unsuitable(by)), Round.objects.get(pk=undelivered(by))
    client, page = signed_in(cast.PHONE_DESK), reverse("screening:batches")
    text = client.get(page).text
    assert str(ends.person) in text
    assert "Close: no usable sample" in text
    assert "Close: could not be delivered" in text
    done = client.post(reverse("screening:waiting-close", args=[ends.pk]), follow=True)
    assert "The round is closed: no usable sample." in done.text
    again = client.post(reverse("screening:waiting-close", args=[ends.pk]), follow=True)
    assert "no longer waits for the phone desk" in again.text
    assert (
        "kit is missing" in client.post(reverse("screening:waiting-send", args=[goes.pk]), follow=True).text
    )
    factories.a_kit()
    sent = client.post(reverse("screening:waiting-send", args=[goes.pk]), follow=True)
    assert "Another kit was handed to the post." in sent.text
    goes.refresh_from_db()
    assert goes.state == "kit_out"


def test_others_see_no_names_on_invite(signed_in: SignIn, by: User) -> None:
    name = str(Round.objects.get(pk=undelivered(by)).person)
    for other in (cast.MANAGER, cast.ADMINISTRATOR):
        assert name not in signed_in(other).get(reverse("screening:batches")).text
