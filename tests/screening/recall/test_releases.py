"""A batch before it goes: looked at, released by a second person, people left out one by one; pauses, holidays, households.

Source: the programme's job description 2.1 (exception 8), 2.3 (rules and exceptions 1, 2, 6, 7), 3b, ruling R14, invariant I39.
"""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from screening.models import (
    Area,
    Batch,
    InvitationPause,
    Kit,
    Lot,
    Person,
    RegisterLoad,
    Round,
    ScreeningPolicy,
)
from screening.services.batches import (
    batch_dispatch,
    batch_open,
    batch_people,
    batch_preflight,
    batch_release,
    batches_to_post,
    kits_stock,
)
from screening.services.doubts import doubt_kits
from screening.services.pauses import pause_end, pause_make
from screening.services.people import stop_record
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import NonWorkingDay, User
from staff.working_days import long_break_ahead
from tests import cast, factories

TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]
region = pytest.mark.usefixtures("region")


@pytest.fixture
def by(region: object) -> User:
    ScreeningPolicy.objects.update(second_person_releases=True)
    who = cast.member(cast.PHONE_DESK)
    kits_stock(
        by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=40
    )
    return who


def people(count: int, **facts: object) -> list[Person]:
    return [
        factories.a_person(**({"next_due_on": TODAY - timedelta(days=count - n)} | facts))
        for n in range(count)
    ]


# --- released by a second person ------------------------------------------------------------------------------------


def test_a_batch_goes_only_when_somebody_else_released_it(by: User) -> None:
    people(3)
    batch = batch_open(by=by, size=3)
    with pytest.raises(IllegalMove) as early:
        batch_dispatch(by=by, batch=batch)
    assert early.value.code == "not_released"
    with pytest.raises(NotAllowed) as alone:
        batch_release(by=by, batch=batch)
    assert alone.value.code == "second_person"
    assert batch_release(by=cast.member(cast.MANAGER), batch=batch) == 0
    assert batch_release(by=cast.member(cast.MANAGER), batch=batch) == 0, "a second time does nothing"
    assert batch_dispatch(by=by, batch=batch) == 3
    with pytest.raises(IntegrityError, match="a_batch_is_released_by_a_second_person"), transaction.atomic():
        Batch.objects.filter(pk=batch.pk).update(released_by=batch.opened_by)


def test_people_fail_one_by_one_and_the_batch_goes_without_them(by: User) -> None:
    dead, out, moved, nowhere, fine = people(5)
    batch = batch_open(by=by, size=5)
    assert batch_preflight(batch) == []
    Person.objects.filter(pk=dead.pk).update(deceased_on=TODAY)
    Person.objects.filter(pk=moved.pk).update(left_area_on=TODAY)
    Person.objects.filter(pk=nowhere.pk).update(address_1="")
    from screening.models import Stop

    Stop.objects.create(person=out, scope="invitations", since=TODAY, source="letter")
    found = {u.person_id: u.reason for u in batch_preflight(batch)}
    assert found == {dead.pk: "died", out.pk: "declined", moved.pk: "moved_away", nowhere.pk: "undeliverable"}
    assert batch_release(by=cast.member(cast.MANAGER), batch=batch) == 4
    assert Round.objects.get(person=fine).state == "kit_due"
    assert batch_dispatch(by=by, batch=batch) == 1


# Source: hazards H15 and H16: asked again at the hand-over, whatever was released before.
def test_who_opts_out_between_release_and_hand_over_is_left_out(by: User) -> None:
    one, two = people(2)
    batch = batch_open(by=by, size=2)
    batch_release(by=cast.member(cast.MANAGER), batch=batch)
    stop_record(by=by, person=one, scope="invitations", source="called")
    assert batch_dispatch(by=by, batch=batch) == 1
    assert Round.objects.get(person=two).state == "kit_out"


def test_from_a_stale_register_only_with_a_reason_and_a_name(by: User) -> None:
    people(1)
    RegisterLoad.objects.create(
        file_name="f.csv", sha256="0" * 64, status="applied", staged_by=by, applied_by=by,
        staged_at=clock.moment(TODAY - timedelta(days=8)), applied_at=clock.moment(TODAY - timedelta(days=8)),
    )  # fmt: skip
    batch = batch_open(by=by, size=1)
    manager = cast.member(cast.MANAGER)
    with pytest.raises(RoundbookError) as stale:
        batch_release(by=manager, batch=batch)
    assert (stale.value.code, stale.value.data["days"]) == ("register_stale", 8)
    batch_release(
        by=manager, batch=batch, stale_note="the register office is closed this week, deaths come by phone"
    )
    batch.refresh_from_db()
    assert (batch.released_by, batch.release_note[:19]) == (manager, "the register office")


def test_ten_people_are_shown_spread_over_the_batch(by: User) -> None:
    people(25)
    batch = batch_open(by=by, size=25)
    shown = batch_people(batch, limit=10)
    assert len(shown) == 10
    order = list(batch.rounds.order_by("pk").values_list("person_id", flat=True))
    assert [order.index(person.pk) for person, _serial in shown] == list(range(0, 20, 2))


def test_nobody_who_will_not_go_stands_among_those_to_look_at(by: User, signed_in: SignIn) -> None:
    dead, out, fine = people(3)
    batch = batch_open(by=by, size=3)
    Person.objects.filter(pk=dead.pk).update(deceased_on=TODAY)
    stop_record(by=by, person=out, scope="invitations", source="called")
    assert batch.rounds.get(person=out).state == "closed"
    assert [u.person_id for u in batch_preflight(batch)] == [dead.pk]
    shown = batch_people(batch, limit=10)
    assert [person.pk for person, _serial in shown] == [fine.pk]
    page = signed_in(cast.MANAGER).get(reverse("screening:batch", args=[batch.pk])).text
    assert "1 person of the batch, to look at" in page
    assert "the ten people" not in page


def test_a_batch_without_a_kit_is_not_handed_to_the_post(by: User, signed_in: SignIn) -> None:
    people(3)
    batch = batch_open(by=by, size=3)
    batch_release(by=cast.member(cast.MANAGER), batch=batch)
    assert batches_to_post().get() == batch
    kits = Kit.objects.filter(round__batch=batch)
    doubt_kits(by=by, kit_ids=kits.values_list("pk", flat=True), why="a wrong pair", posted=False)
    with pytest.raises(IllegalMove) as refused:
        batch_dispatch(by=by, batch=batch)
    assert refused.value.code == "no_kit_to_post"
    client = signed_in(cast.PHONE_DESK)
    at = reverse("screening:batch", args=[batch.pk])
    page = client.get(at).text
    assert "Yes, they are posted" not in page
    assert "nothing left to post" in page
    assert "send replacement kits" in page
    answer = client.post(reverse("screening:batch-dispatch", args=[batch.pk]), follow=True).text
    assert "Send replacement kits from the page" in answer
    assert "nothing left to post" in client.get(reverse("screening:batches")).text
    batch.refresh_from_db()
    assert batch.dispatched_on is None
    assert not batches_to_post().exists(), "it does not wait on the first page"


def test_a_batch_all_of_whose_people_are_left_out_is_not_called_posted(by: User, signed_in: SignIn) -> None:
    (moved,) = people(1)
    batch = batch_open(by=by, size=1)
    batch_release(by=cast.member(cast.MANAGER), batch=batch)
    Person.objects.filter(pk=moved.pk).update(left_area_on=TODAY)
    client = signed_in(cast.PHONE_DESK)
    page = client.post(reverse("screening:batch-dispatch", args=[batch.pk]), follow=True).text
    assert "no kit of this batch is left to post" in page
    assert "Nobody of this batch is left" in page
    batch.refresh_from_db()
    assert batch.dispatched_on is None
    assert Round.objects.get(batch=batch).close_reason == "moved_away"


# --- pauses and holidays --------------------------------------------------------------------------------------------


def test_a_pause_of_all_stops_batches_until_it_is_over_and_touches_nobody_invited(by: User) -> None:
    first, *_rest = people(3)
    batch = batch_open(by=by, size=1)
    pause = pause_make(by=by, kind="heat", since=TODAY, until=TODAY + timedelta(days=3))
    with pytest.raises(RoundbookError) as paused:
        batch_open(by=by, size=1)
    assert paused.value.code == "paused"
    assert Round.objects.get(person=first).state == "kit_due"
    batch_release(by=cast.member(cast.MANAGER), batch=batch)
    with clock.at(clock.moment(TODAY + timedelta(days=4), 9)):
        assert batch_open(by=by, size=1).size == 1
    pause_end(by=by, pause=pause)
    assert batch_open(by=by, size=1).size == 1
    with pytest.raises(IllegalMove):
        pause_end(by=by, pause=pause)


def test_a_pause_of_one_area_passes_over_its_people_only(by: User) -> None:
    there, here = Area.objects.get(code="NOR"), Area.objects.get(code="QUI")
    (paused,) = people(1, area=there, next_due_on=TODAY - timedelta(days=99))
    (other,) = people(1, area=here)
    (nowhere,) = people(1, area=None)
    pause_make(by=by, kind="slots", since=TODAY, until=TODAY, area=there)
    batch = batch_open(by=by, size=9)
    assert set(batch.rounds.values_list("person_id", flat=True)) == {other.pk, nowhere.pk}
    assert Person.objects.get(pk=paused.pk).next_due_on == TODAY - timedelta(days=99)


@pytest.mark.parametrize(
    ("kind", "since", "until", "code"),
    [
        ("snow", TODAY, TODAY, "kind_unknown"), ("heat", TODAY, TODAY - timedelta(days=1), "days_wrong"),
        ("heat", TODAY + timedelta(days=5), TODAY + timedelta(days=4), "days_wrong"),
        ("heat", TODAY, TODAY + timedelta(days=121), "days_wrong"),
    ],
)  # fmt: skip
def test_a_pause_that_cannot_be_is_refused(by: User, kind: str, since: date, until: date, code: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        pause_make(by=by, kind=kind, since=since, until=until)
    assert refused.value.code == code


@pytest.mark.parametrize(
    ("since", "until", "field", "words"),
    [
        (TODAY - timedelta(days=1), TODAY + timedelta(days=5), "since", "Let the pause begin today or later."),
        (TODAY + timedelta(days=5), TODAY + timedelta(days=4), "until", "would end before it begins"),
        (TODAY, TODAY + timedelta(days=121), "until", "Let this one end by 15 October 2026."),
    ],
)  # fmt: skip
def test_a_refused_pause_says_what_is_wrong(
    by: User, since: date, until: date, field: str, words: str
) -> None:
    with pytest.raises(RoundbookError) as refused:
        pause_make(by=by, kind="heat", since=since, until=until)
    assert (refused.value.data["field"], words in str(refused.value.sentence)) == (field, True)
    assert not InvitationPause.objects.exists()


# Easter 2026: Good Friday 3 April, Easter Monday 6 April; with the weekend a break of four days (computed by hand).
EASTER = frozenset({date(2026, 4, 3), date(2026, 4, 6)})


@pytest.mark.parametrize(
    ("day", "begins"),
    [
        (date(2026, 3, 26), None), (date(2026, 3, 27), date(2026, 4, 3)), (date(2026, 4, 2), date(2026, 4, 3)),
        (date(2026, 4, 3), date(2026, 4, 3)), (date(2026, 4, 5), None), (date(2026, 4, 7), None),
    ],
)  # fmt: skip
def test_a_long_break_pauses_five_working_days_before_it(day: date, begins: date | None) -> None:
    assert long_break_ahead(day, EASTER) == begins
    assert long_break_ahead(day) is None, "a weekend is no long break"


def test_no_batch_is_opened_before_a_long_holiday(by: User) -> None:
    people(1)
    for n in (0, 3, 4):  # Friday 19 June, Monday and Tuesday after the weekend
        NonWorkingDay.objects.create(day=date(2026, 6, 19) + timedelta(days=n), name="feast")
    with pytest.raises(RoundbookError) as ahead:
        batch_open(by=by, size=1)
    assert ahead.value.code == "holiday_ahead"
    assert "19 June 2026" in str(ahead.value.sentence)


# --- households ------------------------------------------------------------------------------------------------------


def test_people_of_one_household_are_invited_on_one_day_each_with_an_envelope(by: User) -> None:
    home = {"address_1": "5 Salt Walk", "postcode": "0Q-555"}
    longest, second, _third = people(3, postcode="0Q-001")
    (first_at_home,) = people(1, next_due_on=TODAY - timedelta(days=50), **home)
    (late_at_home,) = people(1, next_due_on=TODAY, **home)
    (not_due,) = people(1, next_due_on=TODAY + timedelta(days=9), **home)
    batch = batch_open(by=by, size=3)
    taken = set(batch.rounds.values_list("person_id", flat=True))
    assert taken == {first_at_home.pk, late_at_home.pk, longest.pk}, "the last of the list waits a day"
    assert not_due.pk not in taken
    assert second.pk not in taken
    assert len({r.kits.get().serial for r in batch.rounds.all()}) == 3


# --- pages -----------------------------------------------------------------------------------------------------------


def test_a_batch_is_looked_at_released_and_posted_from_the_pages(by: User, signed_in: SignIn) -> None:
    people(4)
    client = signed_in(cast.PHONE_DESK)
    paused = client.post(
        reverse("screening:pause"),
        {"kind": "heat", "since": "2026-07-01", "until": "2026-07-05"},
        follow=True,
    )
    assert "heat: samples would suffer in the post" in paused.text
    wrong = client.post(
        reverse("screening:pause"), {"kind": "heat", "since": "2026-07-01", "until": "2026-06-01"}
    )
    assert wrong.status_code == 422
    page = client.post(reverse("screening:batches"), {"size": 4}, follow=True)
    batch = Batch.objects.get()
    assert "You opened it, so somebody else releases it." in page.text
    assert "4 people of the batch, to look at" in page.text
    at = reverse("screening:batch-release", args=[batch.pk])
    assert "Somebody else than the one who opened it" in client.post(at, follow=True).text
    done = signed_in(cast.MANAGER).post(at, follow=True)
    assert "Released. Nobody had to be left out." in done.text
    posted = client.post(reverse("screening:batch-dispatch", args=[batch.pk]), follow=True)
    assert "4 kits were handed to the post." in posted.text
    look = signed_in(cast.ADMINISTRATOR).get(reverse("screening:batch", args=[batch.pk]))
    assert "Tovelin" not in look.text, "an administrator sees counts"
