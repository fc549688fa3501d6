"""Reaching people: claims, the ladder's dates, wishes, pauses, and races between two who claim."""

from contextlib import ExitStack
from datetime import date, time, timedelta
from threading import Barrier, Thread

import pytest
from django.db import connection

from results.models import ContactAttempt, Referral
from results.services import referrals as services
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from tests import cast
from tests.results import follow_up as f

WEDNESDAY = date(2026, 6, 17)


@pytest.fixture
def referral(region: object) -> Referral:
    """A referral that was opened on Wednesday 17 June 2026."""
    return f.a_referral()


def test_a_result_at_or_above_opens_a_referral_due_the_same_day(referral: Referral) -> None:
    assert (referral.state, referral.pool, referral.due_on) == ("to_reach", "coordinators", date(2026, 6, 17))
    assert referral.opened_on == WEDNESDAY


def test_a_person_has_one_live_referral(referral: Referral) -> None:
    with pytest.raises(Exception, match="one_live_referral_a_person"):
        Referral.objects.create(person=referral.person, opened_on=WEDNESDAY)


def test_a_call_on_the_way_changes_nothing_about_the_booked_day(region: object) -> None:
    referral = f.a_referral("to_book")
    services.booking_make(
        by=f.kaddrin(), referral=referral, site=f.unit(), day=date(2026, 7, 2), time=time(9)
    )
    for outcome, wish in (("no_answer", ""), ("spoke", "go_on")):
        services.contact_attempt_record(by=f.kaddrin(), referral=referral, outcome=outcome, wish=wish)
        assert (referral.state, referral.due_on) == ("booked", date(2026, 7, 2))
    with pytest.raises(IllegalMove) as refused:
        services.contact_attempt_record(by=f.kaddrin(), referral=referral, outcome="spoke", wish="declines")
    assert refused.value.code == "booked_first"


def test_the_one_who_claims_holds_it_and_the_next_is_told_who(referral: Referral) -> None:
    services.referral_claim(by=f.kaddrin(), referral=referral)
    assert (referral.owner, referral.pool, referral.due_on) == (f.kaddrin(), "", date(2026, 6, 17))
    services.referral_claim(by=f.kaddrin(), referral=referral)
    with pytest.raises(IllegalMove) as refused:
        services.referral_claim(by=f.liora(), referral=referral)
    assert (refused.value.code, refused.value.data["who"]) == ("already_claimed", "Kaddrin Fenwirth")
    services.referral_hand_back(by=f.kaddrin(), referral=referral)
    assert (referral.owner, referral.pool) == (None, "coordinators")


def test_handing_over_needs_somebody_who_follows_up(referral: Referral) -> None:
    with pytest.raises(RoundbookError) as refused:
        services.referral_hand_over(by=f.kaddrin(), referral=referral, to=cast.member(cast.FRONT_DESK))
    assert refused.value.code == "not_a_follower"
    services.referral_hand_over(by=f.kaddrin(), referral=referral, to=f.liora(), note="leave")
    assert referral.owner == f.liora()
    services.referral_hand_over(by=f.liora(), referral=referral)
    assert (referral.owner, referral.pool) == (None, "clinicians")


@pytest.mark.parametrize("name", [cast.FRONT_DESK, cast.LABORATORY, cast.MANAGER, cast.AUDITOR])
def test_only_coordinators_and_clinicians_work_on_referrals(referral: Referral, name: str) -> None:
    with pytest.raises(NotAllowed):
        services.referral_claim(by=cast.member(name), referral=referral)


def test_the_ladder_sets_each_next_date(referral: Referral) -> None:
    # Source: common practice, no source: calls at +0, +1, +3 working days, letter, tracked +7, doctor +14.
    tries = [
        (0, "phone", "no_answer", date(2026, 6, 18)),
        (1, "phone", "voicemail", date(2026, 6, 22)),
        (5, "phone", "relative", date(2026, 6, 22)),
        (5, "letter", "sent", date(2026, 6, 29)),
        (12, "tracked", "sent", date(2026, 7, 6)),
    ]
    for days, channel, outcome, due in tries:
        with ExitStack() as later:
            f.days_later(later, days)
            services.contact_attempt_record(
                by=f.kaddrin(), referral=referral, channel=channel, outcome=outcome
            )
        assert (referral.state, referral.due_on) == ("to_reach", due), (channel, outcome)
    assert referral.attempts.count() == 5


def test_a_call_back_has_a_time_of_day(referral: Referral) -> None:
    services.contact_attempt_record(
        by=f.kaddrin(), referral=referral, outcome="spoke", wish="call_back", call_back_on=date(2026, 6, 19),
        call_back_at=time(14, 30),
    )  # fmt: skip
    assert (referral.state, referral.due_on, referral.due_time) == (
        "to_reach",
        date(2026, 6, 19),
        time(14, 30),
    )
    with pytest.raises(RoundbookError) as refused:
        services.contact_attempt_record(
            by=f.kaddrin(),
            referral=referral,
            outcome="spoke",
            wish="call_back",
            call_back_on=date(2026, 6, 19),
        )
    assert refused.value.code == "call_back_needs_time"


@pytest.mark.parametrize(
    ("wish", "on", "state", "due", "pool"),
    [
        ("go_on", None, "to_assess", date(2026, 6, 24), "coordinators"),
        ("think", None, "undecided", date(2026, 7, 1), "coordinators"),
        ("think", date(2026, 6, 20), "undecided", date(2026, 6, 20), "coordinators"),
        ("declines", None, "undecided", date(2026, 6, 18), "clinicians"),
    ],
)
def test_after_a_talk_the_wish_decides(
    referral: Referral, wish: str, on: date | None, state: str, due: date, pool: str
) -> None:  # fmt: skip
    services.contact_attempt_record(
        by=f.kaddrin(), referral=referral, outcome="spoke", wish=wish, call_back_on=on
    )
    assert (referral.state, referral.due_on, referral.pool) == (state, due, pool)


def test_a_talk_without_a_wish_and_dates_out_of_reach_are_refused(referral: Referral) -> None:
    with pytest.raises(RoundbookError) as refused:
        services.contact_attempt_record(by=f.kaddrin(), referral=referral, outcome="spoke")
    assert refused.value.code == "wish_missing"
    for on in (date(2026, 6, 16), date(2026, 7, 2)):
        with pytest.raises(RoundbookError) as refused:
            services.contact_attempt_record(
                by=f.kaddrin(), referral=referral, outcome="spoke", wish="think", call_back_on=on
            )
        assert refused.value.code == "date_out_of_reach"
    assert not ContactAttempt.objects.exists()


def test_pauses_end_and_are_bounded(referral: Referral) -> None:
    with pytest.raises(RoundbookError) as refused:
        services.referral_pause(
            by=f.kaddrin(), referral=referral, until=WEDNESDAY + timedelta(days=29), note="travels"
        )
    assert refused.value.code == "pause_too_long"
    with pytest.raises(NotAllowed):
        services.referral_pause(
            by=f.kaddrin(), referral=referral, until=WEDNESDAY + timedelta(days=90), note="x", clinical=True
        )
    services.referral_pause(
        by=f.kaddrin(), referral=referral, until=WEDNESDAY + timedelta(days=28), note="travels"
    )
    assert (referral.state, referral.due_on) == ("paused_until", date(2026, 7, 15))
    services.referral_resume(by=f.kaddrin(), referral=referral)
    assert (referral.state, referral.due_on) == ("to_reach", date(2026, 6, 18))


def test_an_outside_report_is_chased_and_then_our_examination_is_offered_again(referral: Referral) -> None:
    # Source: job 2.14 (chases at 30, 60 and 90 days, our own examination after 180) and check I2: a live referral's next
    # date is at most 30 days ahead.
    services.referral_elsewhere(by=f.kaddrin(), referral=referral, where="private clinic")
    assert (referral.state, referral.due_on) == ("elsewhere", WEDNESDAY + timedelta(days=30))
    for days, next_chase in ((30, 60), (60, 90), (90, 120), (120, 150), (150, 180)):
        with ExitStack() as later:
            f.days_later(later, days)
            services.referral_chase(by=f.kaddrin(), referral=referral, note="rang the clinic")
        assert (referral.state, referral.due_on) == ("elsewhere", WEDNESDAY + timedelta(days=next_chase))
    with ExitStack() as later:
        f.days_later(later, 180)
        services.referral_chase(by=f.kaddrin(), referral=referral, note="nothing came")
    assert referral.state == "to_reach"


def test_a_form_that_is_behind_is_refused(referral: Referral) -> None:
    seen = referral.last_seq
    services.referral_claim(by=f.kaddrin(), referral=referral)
    with pytest.raises(IllegalMove) as refused:
        services.contact_attempt_record(by=f.liora(), referral=referral, outcome="no_answer", seen=seen)
    assert (refused.value.code, refused.value.status) == ("stale", 409)
    assert not ContactAttempt.objects.exists()


def test_every_date_keeps_an_owner_or_a_pool(referral: Referral) -> None:
    services.referral_claim(by=f.kaddrin(), referral=referral)
    services.contact_attempt_record(by=f.liora(), referral=referral, outcome="no_answer")
    assert referral.owner == f.kaddrin()
    services.referral_reschedule(
        by=f.kaddrin(), referral=referral, due_on=date(2026, 6, 30), note="asked for it"
    )
    assert (referral.owner, referral.due_on) == (f.kaddrin(), date(2026, 6, 30))
    with pytest.raises(RoundbookError) as refused:
        services.referral_reschedule(by=f.kaddrin(), referral=referral, due_on=date(2026, 8, 30), note="far")
    assert refused.value.code == "date_out_of_reach"


def test_of_many_who_claim_at_once_one_wins_and_the_others_are_told(fresh_db: str) -> None:
    from oversight.rehearsal.setting import region_lay_down

    region_lay_down(first_day=date(2025, 12, 1))
    referral = f.a_referral()
    people = [f.kaddrin(), f.liora(), f.emrik()] * 4
    start, said, now = Barrier(len(people)), [], clock.now()

    def claim(user: object) -> None:
        try:
            with clock.at(now):
                start.wait(timeout=20)
                services.referral_claim(by=user, referral=Referral.objects.get(pk=referral.pk))
            said.append(("won", user.pk))
        except IllegalMove as refused:
            said.append((refused.code, refused.data["who"]))
        finally:
            connection.close()

    threads = [Thread(target=claim, args=(user,)) for user in people]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    referral.refresh_from_db()
    winners = {pk for word, pk in said if word == "won"}
    assert winners == {referral.owner_id}
    losers = [one for one in said if one[0] != "won"]
    assert len(said) == len(people)
    assert set(losers) <= {("already_claimed", referral.owner.full_name)}
    assert referral.moves.filter(event="claim").count() == 1
