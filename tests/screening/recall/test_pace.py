"""The pace of the invitations, a working day and an area, and the days on which post leaves a site.

Source: the programme's job description 2.3 (number per working day; slow or pause by area with one control; households on the
same day), 2.5 (exception 8: a strike of the post).
"""

from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse

from screening.models import Area, Batch, InvitationPace, Lot, Person
from screening.services.batches import batch_dispatch, batch_open, kits_stock
from screening.services.pace import pace_left, pace_set, paces_on, paces_to_come
from staff import clock
from staff.errors import RoundbookError
from staff.models import NonWorkingDay, Site, User
from staff.services.calendars import (
    next_post_day,
    no_post_add,
    no_post_remove,
    post_leaves,
    post_weekdays_set,
)
from tests import cast, factories

TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]


@pytest.fixture
def by(region: object) -> User:
    who = cast.member(cast.MANAGER)
    kits_stock(
        by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=60
    )
    return who


def area(code: str) -> Area:
    return Area.objects.get(code=code)


def people(count: int, code: str, *, overdue: int = 30) -> list[Person]:
    return [
        factories.a_person(area=area(code), next_due_on=TODAY - timedelta(days=overdue - n))
        for n in range(count)
    ]


def areas_of(batch: Batch) -> Counter[str]:
    return Counter(batch.rounds.values_list("area__code", flat=True))


def test_a_batch_takes_of_each_area_no_more_than_its_pace_leaves(by: User) -> None:
    people(8, "QUI", overdue=90)
    people(5, "NOR", overdue=60)
    people(3, "SAL", overdue=30)
    pace_set(by=by, area=area("QUI"), per_day=2, since=TODAY)
    pace_set(by=by, area=area("NOR"), per_day=4, since=TODAY)
    first = batch_open(by=by, size=4)
    assert areas_of(first) == {"QUI": 2, "NOR": 2}, "the longest overdue first, within each area's pace"
    assert areas_of(batch_open(by=by, size=50)) == {"NOR": 2, "SAL": 3}
    with pytest.raises(RoundbookError) as none:
        batch_open(by=by, size=1, area=area("QUI"))
    assert none.value.code == "pace_used_up"
    with clock.at(clock.moment(TODAY + timedelta(days=1), 9)):
        assert areas_of(batch_open(by=by, size=50)) == {"QUI": 2, "NOR": 1}


def test_a_pace_of_all_together_bounds_every_area_and_the_newest_counts(by: User) -> None:
    people(6, "QUI")
    pace_set(by=by, area=None, per_day=2, since=TODAY, note="one list lost")
    assert batch_open(by=by, size=6).size == 2
    with pytest.raises(RoundbookError) as used:
        batch_open(by=by, size=6)
    assert used.value.code == "pace_used_up"
    pace_set(by=by, area=None, per_day=3, since=TODAY)
    assert batch_open(by=by, size=6).size == 1
    pace_set(by=by, area=None, per_day=None, since=TODAY)
    assert paces_on(TODAY) == {}
    assert batch_open(by=by, size=6).size == 3


def test_a_household_does_not_lift_an_area_over_its_pace(by: User) -> None:
    home = {"postcode": "0Q-900", "address_1": "1 Quarry Road"}
    for _ in range(3):
        factories.a_person(area=area("QUI"), next_due_on=TODAY - timedelta(days=9), **home)
    pace_set(by=by, area=area("QUI"), per_day=2, since=TODAY)
    assert areas_of(batch_open(by=by, size=10)) == {"QUI": 2}


def test_a_pace_counts_working_days_only_and_never_begins_in_the_past(by: User) -> None:
    people(3, "QUI")
    pace_set(by=by, area=None, per_day=2, since=TODAY)
    with clock.at(clock.moment(date(2026, 6, 20), 9)), pytest.raises(RoundbookError) as saturday:
        batch_open(by=by, size=1)
    assert saturday.value.code == "not_a_working_day"
    NonWorkingDay.objects.create(day=date(2026, 6, 18), name="Harbour day")
    with clock.at(clock.moment(date(2026, 6, 18), 9)), pytest.raises(RoundbookError):
        pace_left(date(2026, 6, 18))
    with pytest.raises(RoundbookError) as past:
        pace_set(by=by, area=None, per_day=2, since=TODAY - timedelta(days=1))
    assert past.value.code == "days_wrong"


def test_a_pace_is_never_changed_only_followed_by_another(by: User) -> None:
    pace = pace_set(by=by, area=None, per_day=2, since=TODAY)
    with pytest.raises(DatabaseError), transaction.atomic():
        InvitationPace.objects.filter(pk=pace.pk).update(per_day=500)


def test_a_pace_that_begins_later_is_shown_with_its_first_day(signed_in: SignIn, by: User) -> None:
    desk, at = signed_in(cast.MANAGER), reverse("screening:pace")
    later = desk.post(at, {"per_day": "5", "since": "2026-09-01"}, follow=True)
    assert "The pace is set from 1 September 2026. Until then nothing changes." in later.text
    assert "No pace is in force today" in later.text
    assert "1 Sep 2026" in later.text
    desk.post(at, {"per_day": "7", "since": "2026-09-01"})
    lifted = desk.post(at, {"area": area("QUI").pk, "per_day": "", "since": "2026-08-01"}, follow=True)
    assert "The limit is lifted from 1 August 2026." in lifted.text
    assert "no limit any more" in lifted.text
    shown = [(row.since, row.area, row.per_day) for row in paces_to_come(TODAY)]
    assert shown == [(date(2026, 8, 1), area("QUI").name, None), (date(2026, 9, 1), "", 7)]
    assert paces_to_come(date(2026, 9, 1)) == []


def test_setting_a_pace_and_lifting_it_say_what_they_did(signed_in: SignIn, by: User) -> None:
    desk, at = signed_in(cast.MANAGER), reverse("screening:pace")
    made = desk.post(at, {"per_day": "5", "since": "2026-06-17"}, follow=True)
    assert "The pace is set. Whoever is invited already is not touched." in made.text
    lifted = desk.post(at, {"per_day": "", "since": "2026-06-17"}, follow=True)
    assert "The limit is lifted." in lifted.text
    assert "The pace is set." not in lifted.text
    assert "No pace is set: a batch is as large as you ask for." in lifted.text


# --- days on which post leaves ----------------------------------------------------------------------------------------


def test_a_batch_leaves_a_site_only_on_its_post_days(by: User) -> None:
    site = Site.objects.get(code="QHC")
    people(2, "QUI")
    batch = batch_open(by=by, size=2)
    post_weekdays_set(by=cast.member(cast.ADMINISTRATOR), site=site, weekdays=[0, 4])
    assert not post_leaves(TODAY, site)
    assert next_post_day(TODAY, site) == date(2026, 6, 19)
    with pytest.raises(RoundbookError) as refused:
        batch_dispatch(by=by, batch=batch, posted_from=site)
    assert refused.value.code == "no_post_today"
    assert "19 June 2026" in str(refused.value.sentence)
    with clock.at(clock.moment(date(2026, 6, 19), 9)):
        assert batch_dispatch(by=by, batch=batch, posted_from=site) == 2
    batch.refresh_from_db()
    assert batch.posted_from == site


def test_a_strike_stops_the_post_of_one_site_and_not_of_the_other(by: User) -> None:
    here, there = Site.objects.get(code="QHC"), Site.objects.get(code="NMC")
    stop = no_post_add(by=by, day=TODAY, name="strike", site=here)
    assert (post_leaves(TODAY, here), post_leaves(TODAY, there)) == (False, True)
    NonWorkingDay.objects.create(day=date(2026, 6, 18), name="Harbour day", site=there)
    assert not post_leaves(date(2026, 6, 18), there), "a closed day has no post either"
    no_post_remove(by=by, stopped=stop)
    assert post_leaves(TODAY, here)
    with pytest.raises(RoundbookError):
        no_post_add(by=by, day=TODAY - timedelta(days=1), name="strike", site=here)


def test_pace_and_post_days_at_their_pages(signed_in: SignIn, by: User) -> None:
    people(4, "QUI")
    desk = signed_in(cast.MANAGER)
    desk.post(reverse("screening:pace"), {"area": area("QUI").pk, "per_day": "3", "since": "2026-06-17"})
    page = desk.get(reverse("screening:batches")).content.decode()
    assert "A working day" in page
    assert paces_on(TODAY) == {area("QUI").pk: 3}
    wrong = desk.post(reverse("screening:pace"), {"per_day": "0", "since": "2026-06-17"})
    assert wrong.status_code == 422
    calendar = reverse("staff:calendar")
    desk.post(calendar, {"no_post": "2026-06-18", "name": "strike"})
    assert "strike" in desk.get(calendar).content.decode()
    desk.post(f"{calendar}?site=QHC", {"week": "1", "weekdays": ["1", "3"]})
    assert Site.objects.get(code="QHC").post_weekdays == [1, 3]
    assert desk.post(f"{calendar}?site=QHC", {"week": "1"}).status_code == 422
