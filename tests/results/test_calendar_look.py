"""The pages of our calendar, surveillance and its queue in a real browser: 200 % zoom, light and dark, axe, keyboard alone."""

import os
from datetime import timedelta
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import Browser, Page, expect

from results.models import Booking, ListPlace, Referral
from results.services import calendar_moves as moves
from results.services import places
from staff import clock
from staff.acting import acting
from staff.models import User
from tests import cast
from tests.results import follow_up as f
from tests.results import own_calendar as own
from tests.results.test_follow_up_look import DOUBLED, is_clean
from tests.results.test_follow_up_policy import propose
from tests.results.test_surveillance_take_up import a_plan
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401
from tests.screening.intake.desk_browser import SCHEMES, complaints_of, signed_in_page

pytestmark = pytest.mark.browser


def a_calendar_in_use() -> dict[str, str]:
    """Lists with people, one cancelled, a hold, two who were not asked, surveillance to take up; the pages that show them."""
    today = clock.today()
    site = own.a_kept_unit(reserve_percent=6)
    days = own.lists(site, 12, since=today + timedelta(days=5), points=8)
    own.lists(
        site,
        3,
        since=today + timedelta(days=7),
        name="Theatre list",
        theatre=True,
        bed=True,
        interpreter=True,
    )
    people = [own.to_book(family_name=f"Aldermere{n}") for n in range(8)]
    for referral, one in zip(people[:5], (days[0], days[0], days[0], days[1], days[2]), strict=True):
        places.place_book(by=f.kaddrin(), referral=referral, clinic_list=one, agreed=referral != people[1])
    places.place_hold(by=f.kaddrin(), referral=people[5], clinic_list=days[1])
    moves.list_cancel(by=f.kaddrin(), clinic_list=days[0], why="The endoscopist is ill.")
    moves.people_move(by=f.kaddrin(), referral_ids=[people[0].pk])
    a_plan(today + timedelta(days=30), family_name="Watched")
    a_plan(today + timedelta(days=80), family_name="Later")
    made = propose(guideline="american_2020", examination_days=28)
    return {
        "calendar": f"{reverse('results:calendar')}?site=NCU&week={days[0].day.isoformat()}",
        "calendar-list": reverse("results:calendar-list", args=[days[1].pk]),
        "calendar-cancelled": reverse("results:calendar-list", args=[days[0].pk]),
        "calendar-close": reverse("results:calendar-close"),
        "calendar-move": reverse("results:calendar-move"),
        "unconfirmed": reverse("results:unconfirmed"),
        "places": reverse("results:places", args=[people[5].pk]),
        "to-book": reverse("results:referral", args=[people[5].pk]),
        "surveillance": reverse("results:surveillance"),
        "room": reverse("results:room"),
        "policy": reverse("results:follow-up-policy"),
        "policy-plans": reverse("results:follow-up-policy-plans", args=[made.pk]),
    }


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_calendar_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    pages = a_calendar_in_use()
    page = signed_in_page(browser, server, cast.NURSE, scheme=scheme, size=DOUBLED)
    heard = complaints_of(page)
    for name, address in pages.items():
        page.goto(f"{server}{address}")
        assert heard == []
        is_clean(page)
        pictured(page, f"{name}-{scheme}")


def pictured(page: Page, name: str) -> None:
    """A picture of the page where the tester asks for one."""
    folder = os.environ.get("ROUNDBOOK_PICTURES")
    if folder:
        page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)


def test_a_place_is_found_held_and_booked_by_keyboard_alone(browser: Browser, server: str) -> None:  # noqa: F811
    a_calendar_in_use()
    referral = own.to_book(family_name="Keyed")
    page = signed_in_page(browser, server, cast.NURSE)
    page.goto(f"{server}{reverse('results:referral', args=[referral.pk])}")
    page.keyboard.press("f")
    page.wait_for_url("**/places/")
    page.keyboard.press("j")
    expect(page.locator("[data-row-link]").first).to_be_focused()
    page.keyboard.press("h")
    expect(page.locator("#messages")).to_contain_text("Held up to")
    assert ListPlace.objects.get(referral=referral).status == "held"
    page.keyboard.press("u")
    page.wait_for_url(f"**/follow-up/{referral.pk}/")
    expect(page.locator("main")).to_contain_text("held up to")
    page.keyboard.press("f")
    page.wait_for_url("**/places/")
    page.keyboard.press("j")
    expect(page.locator("[data-row-link]").first).to_be_focused()
    page.keyboard.press("b")
    expect(page.locator("#messages")).to_contain_text("Booked:")
    assert Booking.objects.get(referral=referral).status == "booked"


def test_the_unconfirmed_and_the_surveillance_register_by_keyboard_alone(
    browser: Browser,  # noqa: F811
    server: str,  # noqa: F811
) -> None:
    a_calendar_in_use()
    with acting(User.objects.system()):
        waiting = Booking.objects.filter(status="booked", confirmed_on__isnull=True).select_related(
            "referral"
        )
        assert waiting.exists()
    page = signed_in_page(browser, server, cast.NURSE)
    page.goto(f"{server}{reverse('results:queue')}")
    page.keyboard.press("o")
    page.wait_for_url("**/calendar/**")
    page.keyboard.press("m")
    page.wait_for_url("**/move/")
    page.keyboard.press("g")
    expect(page.locator("#messages")).to_contain_text("have a new day")
    page.goto(f"{server}{reverse('results:surveillance')}")
    page.keyboard.press("t")
    expect(page.locator("#messages")).to_contain_text("1 plan was taken up.")
    assert Referral.objects.filter(origin="surveillance").count() == 1
