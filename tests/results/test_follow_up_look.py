"""The coordinator's pages at 200 % zoom, light and dark: nothing cut off, axe clean, worked by keyboard alone."""

from datetime import timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import Browser, Page, expect

from results.models import Booking, HandOver, Referral
from results.services import referrals as services
from results.services import referrals_leave as leave
from staff import clock
from tests import cast
from tests.results import follow_up as f
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401
from tests.screening.intake.desk_browser import RULES, SCHEMES, complaints_of, signed_in_page

pytestmark = pytest.mark.browser
DOUBLED = (640, 450)  # a window of 1280 × 900 at 200 %


def is_clean(page: Page) -> None:
    """No axe violation, and no sideways scrolling of the page."""
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == [], page.url
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), (
        page.url
    )


def a_busy_day() -> dict[str, str]:
    """Two missing answers, an absent owner, somebody with a pause, one whose booking is blocked; the pages that show them."""
    today = clock.today()
    for n in range(2):
        referral = f.a_referral("to_book", family_name=f"Booked{n}")
        services.booking_make(
            by=f.kaddrin(), referral=referral, site=f.unit(), day=today, time=f.HALF_PAST_NINE
        )
    f.many_referrals(12)
    held = list(Referral.objects.filter(state="to_reach"))
    for referral in held[:4]:
        services.referral_claim(by=f.emrik(), referral=referral)
    for referral in held[4:6]:
        services.referral_claim(by=f.kaddrin(), referral=referral)
    services.referral_pause(by=f.kaddrin(), referral=held[6], until=today + timedelta(days=9), note="travels")
    services.referral_resume(by=f.kaddrin(), referral=held[6])
    services.contact_attempt_record(
        by=f.kaddrin(), referral=held[5], outcome="spoke", wish="call_back", call_back_on=today, call_back_at="14:30",
        note="After lunch, please.",
    )  # fmt: skip
    leave.hand_over_plan(
        by=f.kaddrin(), user=f.kaddrin(), since=today + timedelta(days=2), until=today + timedelta(days=16),
        to=f.liora(), note="Two of them prefer mornings.",
    )  # fmt: skip
    leave.absence_note(by=f.liora(), user=f.emrik(), since=today, note="called in")
    blocked = f.a_referral("to_assess", family_name="Blocked")
    f.assess(blocked, answers=f.ANSWERS | {"interpreter": True, "kidney_disease": True, "mobility": True}, plan="Wheelchair.")  # fmt: skip
    assess = f.a_referral("to_assess", family_name="Assessing", language="pt")
    return {
        "queue": reverse("results:queue"),
        "queue-filtered": f"{reverse('results:queue')}?need=reach&owner=nobody",
        "attended": reverse("results:attended"),
        "hands": reverse("results:hands"),
        "away": reverse("results:away", args=[f.emrik().pk]),
        "plan-leave": reverse("results:hand-over-new", args=[f.kaddrin().pk]),
        "hand-over": reverse("results:hand-over", args=[HandOver.objects.get().pk]),
        "blocked": reverse("results:referral", args=[blocked.pk]),
        "assess": reverse("results:referral", args=[assess.pk]),
    }


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_coordinators_pages_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    pages = a_busy_day()
    page = signed_in_page(browser, server, cast.NURSE, scheme=scheme, size=DOUBLED)
    heard = complaints_of(page)
    for address in pages.values():
        page.goto(f"{server}{address}")
        assert heard == []
        is_clean(page)


def test_the_evening_list_by_keyboard_alone(
    browser: Browser,  # noqa: F811
    server: str,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    a_busy_day()
    monkeypatch.setattr(settings, "FIXED_TODAY", (clock.today() + timedelta(days=1)).isoformat())
    page = signed_in_page(browser, server, cast.NURSE)
    page.goto(f"{server}{reverse('results:attended')}")
    expect(page.locator("main")).to_contain_text("2 booked days are over")
    page.keyboard.press("j")
    expect(page.locator("[data-row-link]").first).to_be_focused()
    page.keyboard.press("j")
    expect(page.locator("[data-row-link]").nth(1)).to_be_focused()
    page.keyboard.press("m")
    expect(page.locator("#messages")).to_contain_text("did not attend")
    expect(page.locator("main")).to_contain_text("1 booked day is over")
    page.keyboard.press("j")
    expect(page.locator("[data-row-link]").first).to_be_focused()
    page.keyboard.press("a")
    expect(page.locator("main")).to_contain_text("0 booked days are over")
    assert sorted(Booking.objects.values_list("status", flat=True)) == ["attended", "missed"]


def test_the_queue_by_keyboard_alone(browser: Browser, server: str) -> None:  # noqa: F811
    a_busy_day()
    page = signed_in_page(browser, server, cast.NURSE)
    page.goto(f"{server}{reverse('results:queue')}")
    page.keyboard.press("?")
    expect(page.locator("dialog#keys")).to_contain_text("In the row: claim")
    page.keyboard.press("Escape")
    expect(page.locator("dialog#keys")).not_to_be_visible()
    page.wait_for_timeout(200)  # the page hears of the closed dialog a moment after it is gone
    page.keyboard.press("1")
    page.wait_for_url("**need=reach**")
    page.goto(f"{server}{reverse('results:queue')}?new=1")
    page.keyboard.press("j")
    expect(page.locator("[data-row-link]").first).to_be_focused()
    name = page.locator("[data-row-link]").first.inner_text()
    page.keyboard.press("w")
    expect(page.locator("tbody tr details[open]").first).to_contain_text("The examination is promised up to")
    page.keyboard.press("c")
    page.wait_for_load_state("load")
    expect(page.locator("main")).not_to_contain_text(name)
    assert Referral.objects.filter(owner=f.liora()).count() == 1
    page.keyboard.press("h")
    page.wait_for_url("**/hands/")
