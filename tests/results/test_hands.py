"""Other hands: an absent owner is one row (R18, H19), leave handed over and given back, levelling, sharing out by area."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from results.models import Absence, HandOver, HandOverLine, Referral
from results.referral_hands import NEAREST_LAST, Away, deputies_away, loads
from results.services import referrals as services
from results.services import referrals_hands as hands
from results.services import referrals_leave as leave
from results.states import REFERRAL
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import AccessEntry, User
from tests import cast
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
WEDNESDAY = date(2026, 6, 17)
QUEUE = "/follow-up/"


@pytest.fixture
def page(signed_in: object) -> Client:
    """The nurse's browser."""
    return signed_in(cast.NURSE)


def held_by(user: User, count: int) -> list[Referral]:
    """So many new open referrals in somebody's hands."""
    known = set(Referral.objects.values_list("pk", flat=True))
    f.many_referrals(count)
    made = list(Referral.objects.exclude(pk__in=known).order_by("pk"))
    for referral in made:
        services.referral_claim(by=user, referral=referral)
    return made


def holds(user: User) -> int:
    """How many open referrals somebody holds."""
    return Referral.objects.filter(owner=user).exclude(state="closed").count()


def disable(user: User) -> None:
    """Close an account."""
    User.objects.filter(pk=user.pk).update(is_active=False)


def test_a_disabled_user_with_forty_open_is_one_row_and_all_forty_find_hands(page: Client) -> None:
    # H19 of the job, with its own test: disable a user with 40 open.
    made = held_by(f.kaddrin(), 40)
    states = {one.pk: (one.state, one.due_on, one.due_time) for one in Referral.objects.all()}
    disable(f.kaddrin())
    text = page.get(QUEUE).content.decode()
    assert text.count("40 referrals of Kaddrin Fenwirth: nobody holds them today") == 1
    assert "data-row-link" not in text
    one_by_one = page.get(f"{QUEUE}?owner=user-{f.kaddrin().pk}").content.decode()
    assert one_by_one.count("data-row-link") == 40
    address = reverse("results:away", args=[f.kaddrin().pk])
    assert "40 referrals: nobody holds them today" in page.get(address).content.decode()
    assert page.post(address, {"where": "spread"}).status_code == 302
    assert holds(f.kaddrin()) == 0
    assert Referral.objects.exclude(owner__is_active=True).exclude(state="closed").count() == 0
    moved = Referral.objects.filter(pk__in=[one.pk for one in made])
    assert {one.pk: (one.state, one.due_on, one.due_time) for one in moved} == states
    assert {one.moves.latest("seq").note for one in moved[:5]} == {"Taken over from Kaddrin Fenwirth."}
    assert hands.referrals_take_over(by=f.liora(), absent=f.kaddrin(), spread=True) == 0
    assert "nobody holds" not in page.get(QUEUE).content.decode()


def test_an_absent_owner_is_one_row_until_back(page: Client) -> None:
    held_by(f.kaddrin(), 3)
    address = reverse("results:absence-note")
    answer = page.post(address, {"absence-user": f.kaddrin().pk, "absence-note": "called in"})
    assert answer["Location"] == reverse("results:away", args=[f.kaddrin().pk])
    text = page.get(QUEUE).content.decode()
    assert "3 referrals of Kaddrin Fenwirth" in text
    assert "Away; nobody knows until when." in text
    absence = Absence.objects.get()
    with pytest.raises(RoundbookError) as refused:
        leave.absence_note(by=f.liora(), user=f.kaddrin(), since=WEDNESDAY)
    assert refused.value.code == "away_already"
    page.post(reverse("results:absence-end", args=[absence.pk]))
    assert "3 referrals of" not in page.get(QUEUE).content.decode()
    with pytest.raises(IllegalMove):
        leave.absence_end(by=f.liora(), absence=absence)


def test_whoever_looks_at_their_own_list_sees_it_although_noted_as_away(signed_in: object) -> None:
    held_by(f.kaddrin(), 3)
    leave.absence_note(by=f.liora(), user=f.kaddrin(), since=WEDNESDAY)
    text = signed_in(cast.COORDINATOR).get(f"{QUEUE}?owner=mine").content.decode()
    assert text.count("data-row-link") == 3


def test_somebody_who_no_longer_follows_up_is_an_absent_owner() -> None:
    held_by(f.kaddrin(), 2)
    f.kaddrin().postings.all().delete()
    assert [(one.user, one.why, one.n) for one in Away(WEDNESDAY).owners] == [(f.kaddrin(), "left", 2)]


def test_a_single_one_of_an_absent_owner_can_be_claimed_and_nothing_goes_to_somebody_away() -> None:
    referral = held_by(f.kaddrin(), 1)[0]
    with pytest.raises(IllegalMove):
        services.referral_claim(by=f.liora(), referral=referral)
    leave.absence_note(by=f.liora(), user=f.kaddrin(), since=WEDNESDAY, until=WEDNESDAY)
    services.referral_claim(by=f.liora(), referral=referral)
    assert referral.owner == f.liora()
    with pytest.raises(RoundbookError) as refused:
        services.referral_hand_over(by=f.liora(), referral=referral, to=f.kaddrin())
    assert refused.value.code == "not_here"
    with pytest.raises(RoundbookError) as refused:
        hands.referrals_level(by=f.liora(), holder=f.liora(), to=f.kaddrin(), count=1)
    assert refused.value.code == "not_here"


def test_the_page_of_one_whose_owner_is_away_says_so_and_offers_to_claim(page: Client) -> None:
    referral = held_by(f.kaddrin(), 1)[0]
    address = reverse("results:referral", args=[referral.pk])
    claim = reverse("results:referral-do", args=[referral.pk, "claim"])
    assert f'action="{claim}"' not in page.get(address).content.decode()
    leave.absence_note(by=f.liora(), user=f.kaddrin(), since=WEDNESDAY)
    text = page.get(address).content.decode()
    assert "away today" in text
    assert f'action="{claim}"' in text
    assert f'action="{claim}"' in page.get(f"{QUEUE}?owner=user-{f.kaddrin().pk}").content.decode()
    page.post(claim)
    assert holds(f.liora()) == 1


def test_what_a_present_owner_holds_is_not_taken_over() -> None:
    held_by(f.kaddrin(), 2)
    with pytest.raises(RoundbookError) as refused:
        hands.referrals_take_over(by=f.liora(), absent=f.kaddrin())
    assert refused.value.code == "owner_is_here"
    disable(f.kaddrin())
    assert hands.referrals_take_over(by=f.liora(), absent=f.kaddrin()) == 2
    assert Referral.objects.filter(owner=None, pool="coordinators").count() == 2


def test_the_pool_is_the_one_the_state_calls_for() -> None:
    to_sign, declines = f.a_referral("to_classify"), f.a_referral(family_name="Declines")
    for referral in (to_sign, declines):
        services.referral_claim(by=f.liora(), referral=referral)
    services.contact_attempt_record(by=f.kaddrin(), referral=declines, outcome="spoke", wish="declines")
    disable(f.liora())
    hands.referrals_take_over(by=f.kaddrin(), absent=User.objects.get(username=cast.NURSE))
    assert set(Referral.objects.values_list("owner", "pool")) == {(None, "clinicians")}


@pytest.mark.parametrize(("deputy", "pool"), [(cast.NURSE, ""), (None, "coordinators")])
def test_leave_goes_out_on_its_first_day_and_comes_back_after_its_last(deputy: str | None, pool: str) -> None:
    made = held_by(f.kaddrin(), 6)
    to = cast.member(deputy) if deputy else None
    since, until = WEDNESDAY + timedelta(days=5), WEDNESDAY + timedelta(days=12)
    plan = leave.hand_over_plan(
        by=f.kaddrin(), user=f.kaddrin(), since=since, until=until, to=to, note="Two ask for mornings."
    )
    assert (holds(f.kaddrin()), plan.begun_at) == (6, None)
    assert leave.hand_overs_due(by=User.objects.system()) == 0
    with ExitStack() as later:
        f.days_later(later, 5)
        assert [leave.hand_overs_due(by=User.objects.system()) for _ in range(2)] == [1, 0]
        assert set(Referral.objects.values_list("owner", "pool")) == {(to.pk if to else None, pool)}
        passed_on, done = made[0], made[1]
        services.referral_hand_over(by=f.liora(), referral=passed_on, to=f.emrik())
        services.referral_close(by=f.emrik(), referral=done, reason="unfit_for_good", note="Severe illness.")
    with ExitStack() as later:
        f.days_later(later, 12)
        assert leave.hand_overs_due(by=User.objects.system()) == 0
        f.days_later(later, 1)
        assert [leave.hand_overs_due(by=User.objects.system()) for _ in range(2)] == [1, 0]
    assert holds(f.kaddrin()) == 4
    passed_on.refresh_from_db()
    assert passed_on.owner == f.emrik()
    assert HandOverLine.objects.filter(back_at__isnull=False).count() == 4
    assert HandOver.objects.get().ended_at is not None


def test_only_the_chosen_go_and_what_changed_hands_before_stays() -> None:
    made = held_by(f.kaddrin(), 5)
    since = WEDNESDAY + timedelta(days=2)
    chosen = [one.pk for one in made[:3]]
    leave.hand_over_plan(
        by=f.kaddrin(), user=f.kaddrin(), since=since, until=since, to=f.liora(), referral_ids=chosen
    )
    services.referral_hand_over(by=f.kaddrin(), referral=made[0], to=f.emrik())
    with ExitStack() as later:
        f.days_later(later, 2)
        leave.hand_overs_due(by=User.objects.system())
    assert (holds(f.kaddrin()), holds(f.liora()), holds(f.emrik())) == (2, 2, 1)
    assert HandOverLine.objects.filter(moved_at__isnull=True).count() == 1


def test_a_leave_that_begins_today_begins_at_once_and_an_early_return_ends_it() -> None:
    held_by(f.kaddrin(), 4)
    plan = leave.hand_over_plan(
        by=f.liora(), user=f.kaddrin(), since=WEDNESDAY, until=WEDNESDAY + timedelta(days=9), to=f.liora()
    )
    assert (holds(f.liora()), holds(f.kaddrin())) == (4, 0)
    with ExitStack() as later:
        f.days_later(later, 3)
        assert leave.absence_end(by=f.liora(), absence=plan.absence) == 4
    assert holds(f.kaddrin()) == 4


def test_a_leave_that_does_not_take_place_moves_nothing() -> None:
    held_by(f.kaddrin(), 2)
    plan = leave.hand_over_plan(
        by=f.liora(),
        user=f.kaddrin(),
        since=WEDNESDAY + timedelta(days=3),
        until=WEDNESDAY + timedelta(days=9),
    )
    assert leave.absence_end(by=f.liora(), absence=plan.absence) == 0
    with ExitStack() as later:
        f.days_later(later, 4)
        assert leave.hand_overs_due(by=User.objects.system()) == 0
        assert Away(clock.today()).ids == []
    assert holds(f.kaddrin()) == 2


def test_nothing_goes_back_to_somebody_who_left_meanwhile() -> None:
    held_by(f.kaddrin(), 2)
    leave.hand_over_plan(by=f.liora(), user=f.kaddrin(), since=WEDNESDAY, until=WEDNESDAY, to=f.liora())
    disable(f.kaddrin())
    with ExitStack() as later:
        f.days_later(later, 1)
        assert leave.hand_overs_due(by=User.objects.system()) == 1
    assert holds(f.liora()) == 2


@pytest.mark.parametrize(
    ("since", "until", "deputy", "code"),
    [
        (3, 2, cast.NURSE, "days_reversed"),
        (-1, 2, cast.NURSE, "day_out_of_reach"),
        (400, 401, cast.NURSE, "day_out_of_reach"),
        (1, 2, cast.COORDINATOR, "not_a_deputy"),
        (1, 2, cast.FRONT_DESK, "not_a_deputy"),
    ],
)
def test_a_leave_that_cannot_be_is_refused_in_words(since: int, until: int, deputy: str, code: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        leave.hand_over_plan(
            by=f.kaddrin(), user=f.kaddrin(), since=WEDNESDAY + timedelta(days=since),
            until=WEDNESDAY + timedelta(days=until), to=cast.member(deputy),
        )  # fmt: skip
    assert refused.value.code == code
    assert not Absence.objects.exists()


def test_a_deputy_is_there_on_the_first_day_and_something_is_chosen() -> None:
    leave.absence_note(by=f.kaddrin(), user=f.liora(), since=WEDNESDAY, until=WEDNESDAY)
    for to, ids, code in ((f.liora(), None, "deputy_away"), (f.emrik(), [], "nothing_chosen")):
        with pytest.raises(RoundbookError) as refused:
            leave.hand_over_plan(
                by=f.kaddrin(), user=f.kaddrin(), since=WEDNESDAY, until=WEDNESDAY, to=to, referral_ids=ids
            )
        assert refused.value.code == code


def test_the_deputy_reads_who_was_promised_what_and_when(page: Client) -> None:
    referral = f.a_referral(family_name="Promised", phone="555 0199")
    services.referral_claim(by=f.kaddrin(), referral=referral)
    services.contact_attempt_record(
        by=f.kaddrin(), referral=referral, outcome="spoke", wish="call_back", call_back_on=date(2026, 6, 19),
        call_back_at="14:15", note="daughter interprets",
    )  # fmt: skip
    address = reverse("results:hand-over-new", args=[f.kaddrin().pk])
    assert "Promised, Marra" in page.get(address).content.decode()
    typed = {"since": "2026-06-18", "until": "2026-06-17", "to": f.liora().pk, "which": "all", "note": "kept"}
    refused = page.post(address, typed)
    assert refused.status_code == 422
    assert "lies before the first" in refused.content.decode()
    assert "kept" in refused.content.decode()
    answer = page.post(address, typed | {"until": "2026-06-24"}, follow=True)
    text = answer.content.decode()
    for words in (
        "From 18 June 2026 to 24 June 2026", "to Nurse Liora Vantz", "Promised, Marra", "555 0199", "14:15",
        "The person asked to be called at this time.", "daughter interprets", "kept", "planned; this list will change",
    ):  # fmt: skip
        assert words in text, words
    assert AccessEntry.objects.filter(person_id=referral.person_id, place="hand-over").count() >= 2


def test_levelling_moves_those_least_far_on_the_way() -> None:
    far = f.a_referral("booked", family_name="Far")
    services.referral_claim(by=f.kaddrin(), referral=far)
    held_by(f.kaddrin(), 6)
    assert hands.referrals_level(by=f.liora(), holder=f.kaddrin(), to=f.liora(), count=6) == 6
    assert (holds(f.kaddrin()), holds(f.liora())) == (1, 6)
    far.refresh_from_db()
    assert far.owner == f.kaddrin()
    assert hands.referrals_level(by=f.liora(), holder=f.kaddrin(), to=f.liora(), count=6) == 1
    for count, to, code in ((0, f.liora(), "count_out_of_reach"), (3, f.kaddrin(), "same_hands")):
        with pytest.raises(RoundbookError) as refused:
            hands.referrals_level(by=f.liora(), holder=f.kaddrin(), to=to, count=count)
        assert refused.value.code == code
    with pytest.raises(NotAllowed):
        hands.referrals_level(by=cast.member(cast.MANAGER), holder=f.liora(), to=f.kaddrin(), count=1)


def test_every_open_state_has_its_place_on_the_way() -> None:
    assert set(NEAREST_LAST) == {state for state in REFERRAL.states if state != "closed"}


def test_an_area_is_shared_out_evenly_and_a_second_time_does_nothing() -> None:
    f.many_referrals(24)
    area = Referral.objects.first().person.area
    in_area = Referral.objects.filter(person__area=area).count()
    assert hands.referrals_assign_area(by=f.liora(), area=area.code) == in_area
    assert abs(holds(f.kaddrin()) - holds(f.liora())) <= 1
    assert holds(f.kaddrin()) + holds(f.liora()) == in_area
    assert hands.referrals_assign_area(by=f.liora(), area=area.code) == 0
    other = Referral.objects.filter(owner=None).first().person.area
    hands.referrals_assign_area(by=f.liora(), area=other.code, to=f.kaddrin())
    assert not Referral.objects.filter(person__area=other).exclude(owner=f.kaddrin()).exists()
    assert hands.referrals_assign_area(by=f.liora(), area="") == 0


def test_the_page_of_hands_and_its_forms(page: Client) -> None:
    held_by(f.kaddrin(), 5)
    f.many_referrals(6)
    text = page.get(reverse("results:hands")).content.decode()
    assert "6 referrals are held by nobody" in text
    assert [(one.user, one.n) for one in loads(WEDNESDAY)][:1] == [(f.kaddrin(), 5)]
    typed = {"level-holder": f.kaddrin().pk, "level-to": f.liora().pk, "level-count": 2}
    assert "2 referrals changed hands" in page.post(
        reverse("results:hands-level"), typed, follow=True
    ).content.decode()  # fmt: skip
    refused = page.post(reverse("results:hands-level"), typed | {"level-to": f.kaddrin().pk})
    assert refused.status_code == 422
    assert "Choose two different people." in refused.content.decode()
    area = Referral.objects.filter(owner=None).first().person.area
    answer = page.post(reverse("results:hands-area"), {"area": area.code, "to": ""}, follow=True)
    assert "changed hands" in answer.content.decode()


def test_an_absent_owner_costs_the_list_two_queries_however_many(page: Client) -> None:
    held_by(f.kaddrin(), 2)
    disable(f.kaddrin())
    page.get(QUEUE)
    with CaptureQueriesContext(connection) as few:
        page.get(QUEUE)
    User.objects.filter(pk=f.kaddrin().pk).update(is_active=True)
    held_by(f.kaddrin(), 30)
    disable(f.kaddrin())
    with CaptureQueriesContext(connection) as many:
        page.get(QUEUE)
    assert len(many) == len(few) <= 24


def test_a_deputy_who_is_away_is_named_and_the_hand_over_goes_to_the_coordinators(page: Client) -> None:
    held_by(f.kaddrin(), 3)
    first, last = WEDNESDAY + timedelta(days=1), WEDNESDAY + timedelta(days=5)
    made = leave.hand_over_plan(by=f.kaddrin(), user=f.kaddrin(), since=first, until=last, to=f.liora())
    assert list(deputies_away(WEDNESDAY)) == []
    typed = {"absence-user": f.liora().pk, "absence-until": first.isoformat()}
    for text in (
        page.post(reverse("results:absence-note"), typed, follow=True).content.decode(),
        page.get(reverse("results:hands")).content.decode(),
        page.get(reverse("results:hand-over", args=[made.pk])).content.decode(),
    ):
        assert (
            f"{f.liora().full_name} is the deputy of {f.kaddrin().full_name}, 18 Jun 2026 to 22 Jun 2026"
            in text
        )
    assert list(deputies_away(last)) == [], "the deputy is back by then"
    with clock.at(clock.moment(first, 8)):
        assert leave.hand_overs_due(by=f.kaddrin()) == 1
        assert leave.hand_overs_due(by=f.kaddrin()) == 0
        made.refresh_from_db()
        assert (made.begun_at, made.ended_at is None) == (None, False), "over before it began"
        instead = HandOver.objects.exclude(pk=made.pk).get()
        assert (instead.to, instead.pool, instead.absence) == (None, "coordinators", made.absence)
        assert (holds(f.kaddrin()), holds(f.liora())) == (0, 0)
        assert Referral.objects.filter(owner=None, pool="coordinators").count() == 3
    with clock.at(clock.moment(last + timedelta(days=1), 8)):
        leave.hand_overs_due(by=f.kaddrin())
        assert holds(f.kaddrin()) == 3


def test_levelling_starts_empty(page: Client) -> None:
    held_by(f.kaddrin(), 5)
    form = page.get(reverse("results:hands")).context["level_form"]
    assert [form[name].value() for name in ("holder", "to", "count")] == [None, None, None]
