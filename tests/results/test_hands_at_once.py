"""Other hands at the same moment: nothing moved twice, nothing lost, no deadlock. And many claims of one referral."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from functools import partial
from threading import Barrier, BoundedSemaphore

import pytest
from django.db import connection

from oversight.rehearsal.setting import region_lay_down
from results.models import HandOver, Referral
from results.services import referrals as services
from results.services import referrals_hands as hands
from results.services import referrals_leave as leave
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import Posting, User
from tests.conftest import FIRST_DAY, NOON
from tests.results import follow_up as f

WEDNESDAY = date(2026, 6, 17)


@pytest.fixture
def laid_down(fresh_db: str) -> None:
    """The region in a database of the test's own."""
    region_lay_down(first_day=FIRST_DAY)


def at_once(works: list[object], *, at: object = NOON, places: int = 40) -> list[object]:
    """The answers of these works, started at the same moment; a refusal counts as its code, anything else is raised.

    So many at a time have a connection as the database has places; the others wait at the door, as behind a web server.
    """
    start, door = Barrier(min(len(works), places)), BoundedSemaphore(places)

    def one(nth: int) -> object:
        try:
            with door, clock.at(at):
                if nth < start.parties:
                    start.wait(timeout=60)
                return works[nth]()
        except RoundbookError as error:
            return error.code
        finally:
            connection.close()

    with ThreadPoolExecutor(len(works)) as pool:
        return list(pool.map(one, range(len(works))))


def one_referral_claimed_by(users: list[User]) -> tuple[Referral, list[object]]:
    """A new referral that all of these claim at the same moment, and what each was told."""
    referral = f.a_referral()

    def claim(user: User) -> object:
        return lambda: services.referral_claim(by=user, referral=Referral.objects.get(pk=referral.pk))

    told = at_once([claim(user) for user in users])
    referral.refresh_from_db()
    return referral, told


def colleagues(count: int) -> list[User]:
    """So many more coordinators."""
    with acting(User.objects.system()):
        users = User.objects.bulk_create(
            User(username=f"wessel{n}", full_name=f"Wessel {n}", password="!") for n in range(count)
        )
        Posting.objects.bulk_create(Posting(user=user, role="coordinator") for user in users)
    return users


@pytest.mark.usefixtures("laid_down")
@pytest.mark.parametrize("count", [40, pytest.param(200, marks=pytest.mark.campaign)])
def test_of_so_many_who_claim_one_referral_one_wins_and_all_others_are_told(count: int) -> None:
    referral, told = one_referral_claimed_by(colleagues(count))
    assert sorted(map(str, told)) == sorted(["None", *["already_claimed"] * (count - 1)])
    assert referral.moves.filter(event="claim").count() == 1
    assert referral.owner is not None


@pytest.mark.usefixtures("laid_down")
def test_levelling_sharing_and_claiming_at_once_moves_each_once() -> None:
    f.many_referrals(60)
    area = Referral.objects.first().person.area.code
    nobody = list(Referral.objects.filter(owner=None).order_by("-pk"))
    works = [lambda: hands.referrals_assign_area(by=f.liora(), area=area) for _ in range(4)]
    works += [partial(services.referral_claim, by=f.emrik(), referral=one) for one in nobody[::2]]
    told = at_once(works)
    assert set(map(type, told)) <= {int, str, type(None)}
    assert set(told) - {None, "already_claimed"} <= set(range(61))
    claimed = Referral.objects.exclude(owner=None)
    assert {one.moves.filter(event="claim").count() for one in claimed} == {1}
    assert not Referral.objects.filter(owner=None, person__area__code=area).exists()


@pytest.mark.usefixtures("laid_down")
def test_what_an_absent_owner_held_is_taken_over_once() -> None:
    f.many_referrals(40)
    for one in Referral.objects.all():
        services.referral_claim(by=f.kaddrin(), referral=one)
    with acting(User.objects.system()):
        User.objects.filter(pk=f.kaddrin().pk).update(is_active=False)
    absent = User.objects.get(pk=f.kaddrin().pk)
    told = at_once(
        [lambda: hands.referrals_take_over(by=f.liora(), absent=absent, spread=True) for _ in range(4)]
    )
    assert sorted(told) == [0, 0, 0, 40]
    assert not Referral.objects.filter(owner=absent).exists()


@pytest.mark.usefixtures("laid_down")
def test_two_who_level_at_once_and_back_never_deadlock() -> None:
    f.many_referrals(40)
    for one in Referral.objects.all():
        services.referral_claim(by=f.kaddrin(), referral=one)
    to = lambda: hands.referrals_level(by=f.emrik(), holder=f.kaddrin(), to=f.liora(), count=15)  # noqa: E731
    back = lambda: hands.referrals_level(by=f.emrik(), holder=f.liora(), to=f.kaddrin(), count=15)  # noqa: E731
    told = at_once([to, back, to, back, to, back])
    assert all(isinstance(one, int) for one in told)
    held = {user: Referral.objects.filter(owner=user).count() for user in (f.kaddrin(), f.liora())}
    assert sum(held.values()) == 40


@pytest.mark.usefixtures("laid_down")
def test_a_hand_over_begins_and_ends_once() -> None:
    f.many_referrals(20)
    for one in Referral.objects.all():
        services.referral_claim(by=f.kaddrin(), referral=one)
    first = WEDNESDAY + timedelta(days=1)
    leave.hand_over_plan(by=f.liora(), user=f.kaddrin(), since=first, until=first, to=f.liora())
    system = User.objects.system()
    for day, holder in ((first, f.liora()), (first + timedelta(days=1), f.kaddrin())):
        at_once(
            [lambda: leave.hand_overs_due(by=system) for _ in range(4)], at=clock.moment(day, 9)
        )  # fmt: skip
        assert set(Referral.objects.values_list("owner_id", flat=True)) == {holder.pk}
    assert {one.moves.count() for one in Referral.objects.all()} == {4}
    assert HandOver.objects.get().ended_at is not None
