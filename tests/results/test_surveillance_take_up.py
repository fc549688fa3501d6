"""A planned surveillance examination falls due: taken up once, in the same queue, and its end gives the next date."""

from contextlib import ExitStack
from datetime import date, timedelta

import pytest
from django.db import connection
from django.urls import reverse

from oversight.services.daily import daily_duties
from results.models import NextStep, Referral, ResultsPolicy
from results.services import referrals as services
from results.services.surveillance_register import plans_standing
from results.services.surveillance_take_up import (
    plans_to_take_up,
    surveillance_take_up,
    surveillance_take_up_now,
)
from screening.models import Exclusion, Person, Round
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from tests import cast
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")
PLANNED = date(2029, 6, 17)
"""Three years after the demo's day."""


def a_plan(on: date = PLANNED, **facts: object) -> NextStep:
    """Somebody whose signed next step is a surveillance colonoscopy."""
    referral = f.a_referral("to_classify", **facts)
    f.sign(
        referral, finding="non_advanced", step="surveillance", on=on, words="In three years.", close=True,
        deviation="As talked over in the round.",
    )  # fmt: skip
    return referral.next_steps.get()


def on_the_day(stack: ExitStack, day: date) -> None:
    """Turn the clock to a day."""
    stack.enter_context(clock.at(clock.moment(day, 12)))


def due(person: Person) -> tuple[date | None, str]:
    """The person's next date, and the reason for having none."""
    person.refresh_from_db()
    return person.next_due_on, person.not_due_code


def test_a_plan_is_taken_up_once_so_many_days_ahead_as_the_protocol_says() -> None:
    plan = a_plan()
    assert surveillance_take_up(by=User.objects.system()) == 0
    with ExitStack() as later:
        on_the_day(later, PLANNED - timedelta(days=61))
        assert surveillance_take_up(by=User.objects.system()) == 0
    with ExitStack() as later:
        on_the_day(later, PLANNED - timedelta(days=60))
        assert surveillance_take_up(by=User.objects.system()) == 1
        assert surveillance_take_up(by=User.objects.system()) == 0
        referral = Referral.objects.get(plan=plan)
        assert (referral.origin, referral.opened_on, referral.state) == ("surveillance", PLANNED, "to_reach")
        assert (referral.due_on, referral.pool) == (clock.today(), "coordinators")
        move = referral.moves.get()
        assert (move.event, move.reason, move.rule) == ("open", "surveillance", "surveillance")
        assert not plans_standing().exists()


def test_the_nightly_duty_takes_it_up_once() -> None:
    a_plan(date(2026, 8, 1))
    done = daily_duties(by=User.objects.system())
    assert done["surveillance"] is True
    assert Referral.objects.filter(origin="surveillance").count() == 1
    assert daily_duties(by=User.objects.system())["surveillance"] is False


def test_whoever_is_past_the_stop_age_by_then_begins_at_the_clinicians_and_is_not_lost() -> None:
    # H25: a person lost at the stop age. Born 1948, 81 on the planned day; the stop age is 80.
    plan = a_plan(birth_date=date(1948, 3, 3))
    with ExitStack() as later:
        on_the_day(later, PLANNED)
        surveillance_take_up(by=User.objects.system())
        referral = Referral.objects.get(plan=plan)
        assert (referral.pool, referral.moves.get().rule) == ("clinicians", "stop_age")
        with pytest.raises(RoundbookError, match="note"):
            services.referral_close(by=f.emrik(), referral=referral, reason="surveillance_ended")
        services.referral_close(
            by=f.emrik(), referral=referral, reason="surveillance_ended", note="Decided together: no more."
        )
        assert not Exclusion.objects.filter(kind="surveillance", until__isnull=True).exists()


def test_a_plan_waits_while_the_person_has_another_open_referral() -> None:
    plan = a_plan()
    with acting(f.liora()):
        services.referral_reopen(by=f.liora(), referral=plan.referral, note="New facts.")
    with ExitStack() as later:
        on_the_day(later, PLANNED)
        assert surveillance_take_up(by=User.objects.system()) == 0
        with pytest.raises(RoundbookError, match="another open referral"):
            surveillance_take_up_now(by=f.kaddrin(), plan=plan)


def test_it_runs_through_the_same_queue_to_a_signed_end_that_gives_the_next_date() -> None:
    plan = a_plan()
    person = plan.referral.person
    assert due(person) == (None, "in_surveillance")
    with ExitStack() as later:
        on_the_day(later, PLANNED)
        referral = surveillance_take_up_now(by=f.kaddrin(), plan=plan)
        f.bring_to(referral, "report_due")
        f.report(referral)
        f.sign(referral, words="Back to the home test.", close=True)
        # R9: only the signed next step sets the next date: one interval (24 months) after this examination.
        assert due(person) == (date(2031, 6, 17), "")
        rounds = Round.objects.filter(person=person)
        assert [(one.state, one.close_reason) for one in rounds] == [("closed", "follow_up_concluded")]
        assert not Exclusion.objects.filter(person=person, until__isnull=True).exists()


def test_when_surveillance_goes_on_the_person_stays_on_the_register_with_the_new_day() -> None:
    plan = a_plan()
    with ExitStack() as later:
        on_the_day(later, PLANNED)
        referral = surveillance_take_up_now(by=f.kaddrin(), plan=plan)
        f.bring_to(referral, "to_classify")
        f.sign(
            referral, finding="non_advanced", step="surveillance", on=date(2034, 6, 17), words="In five years.", close=True,
            deviation="First one.",
        )  # fmt: skip
        assert [one.on for one in plans_standing()] == [date(2034, 6, 17)]
        assert due(plan.referral.person) == (None, "in_surveillance")
        assert Exclusion.objects.filter(kind="surveillance").count() == 1


@pytest.mark.parametrize("reason", ["informed_refusal", "unfit_for_good", "died"])
def test_whoever_declines_surveillance_goes_back_to_the_home_test_and_is_never_left_without_a_next_step(
    reason: str,
) -> None:
    # Job 2.17, exception 2: “Person declines surveillance → back to FIT? (default yes)”.
    plan = a_plan()
    person = plan.referral.person
    with ExitStack() as later:
        on_the_day(later, PLANNED)
        referral = surveillance_take_up_now(by=f.kaddrin(), plan=plan)
        if reason == "informed_refusal":
            services.contact_attempt_record(by=f.emrik(), referral=referral, outcome="spoke", wish="declines")
        if reason == "died":
            with acting(f.kaddrin()):
                Person.objects.filter(pk=person.pk).update(deceased_on=clock.today())
        services.referral_close(by=f.emrik(), referral=referral, reason=reason, note="As talked over.")
        expected = {
            "informed_refusal": (clock.today(), ""), "unfit_for_good": (None, "excluded_for_good"), "died": (None, "died"),
        }[reason]  # fmt: skip
        assert due(person) == expected


def test_the_protocol_may_say_another_number_of_days() -> None:
    a_plan(clock.today() + timedelta(days=90))
    assert not plans_to_take_up().exists()
    ResultsPolicy.objects.update(surveillance_days_before=90)
    assert plans_to_take_up().count() == 1


def test_many_are_taken_up_in_a_fixed_number_of_statements(django_assert_max_num_queries: object) -> None:
    for _ in range(4):
        a_plan(clock.today() + timedelta(days=10))
    with django_assert_max_num_queries(16):
        assert surveillance_take_up(by=User.objects.system()) == 4
    connection.check_constraints()


def test_the_page_takes_up_one_or_all_and_the_queue_shows_where_they_came_from(signed_in: object) -> None:
    page = signed_in(cast.COORDINATOR)
    soon, later_one = a_plan(clock.today() + timedelta(days=30)), a_plan(clock.today() + timedelta(days=85))
    here = reverse("results:surveillance")
    text = " ".join(page.get(here).content.decode().split())
    assert "Take up the 1 that falls due" in text
    page.post(reverse("results:surveillance-take-up"))
    assert [one.plan_id for one in Referral.objects.filter(origin="surveillance")] == [soon.pk]
    answer = page.post(reverse("results:surveillance-take-up"), {"plan": later_one.pk}, follow=True)
    assert "taken up" in answer.content.decode()
    assert Referral.objects.filter(origin="surveillance").count() == 2
    queue = " ".join(page.get(reverse("results:queue") + "?origin=surveillance").content.decode().split())
    assert queue.count("data-row-link") == 2
    assert "surveillance" in queue
    referral = Referral.objects.get(plan=soon)
    text = " ".join(page.get(reverse("results:referral", args=[referral.pk])).content.decode().split())
    assert "Planned surveillance" in text
    assert "In three years." in text
    assert "Days since the planned day" in text
