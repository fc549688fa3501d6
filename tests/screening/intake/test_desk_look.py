"""Every page of the post at 200 % zoom, light and dark: nothing cut off, axe clean, worked by keyboard alone."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.urls import reverse
from playwright.sync_api import Browser, Page, expect

from screening.models import Delivery, Return
from screening.services import intake
from tests import cast, factories
from tests.screening.intake import bench
from tests.screening.intake.desk_browser import FIELD, RULES, SAY, SCHEMES, scanner, signed_in_page

pytestmark = pytest.mark.browser
DOUBLED = (640, 450)  # a window of 1280 × 900 at 200 %


def is_clean(page: Page) -> None:
    """No axe violation, and no sideways scrolling of the page."""
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == [], page.url
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), (
        page.url
    )


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_pages_of_the_post_at_200_percent(browser: Browser, server: str, scheme: str) -> None:
    session = bench.a_session()
    person = factories.a_person()
    kit = bench.kit_of(factories.a_round(person))
    factories.a_round(factories.a_person(address_1=person.address_1))
    bench.scan(session, kit.serial, "", "other_name")
    bench.scan(session, bench.kit_out().serial, bench.day_of(2), "note_enclosed")
    practice = intake.session_start(by=cast.member(cast.PHONE_DESK), delivery=None, mode="practice")
    page = signed_in_page(browser, server, cast.PHONE_DESK, scheme=scheme, size=DOUBLED)
    for address in (
        reverse("screening:post"), reverse("screening:post-bench", args=[session.pk]),
        reverse("screening:post-bench", args=[practice.pk]), reverse("screening:post-cards"),
        reverse("screening:post-delivery", args=[session.delivery_id]), reverse("screening:post-practice"),
        reverse("screening:post-undelivered"), reverse("screening:notes"), reverse("screening:rule-costs"),
        reverse("screening:set-asides"), reverse("screening:set-aside", args=[Return.objects.get(kit=kit).pk]),
    ):  # fmt: skip
        page.goto(f"{server}{address}")
        is_clean(page)


def test_a_kit_by_keyboard_alone_at_200_percent(browser: Browser, server: str) -> None:
    kit, dead, page = (
        bench.kit_out(),
        bench.kit_of_the_dead(),
        signed_in_page(browser, server, cast.FRONT_DESK, size=DOUBLED),
    )
    factories.a_delivery()
    page.goto(f"{server}/post/")
    page.get_by_role("button", name="Open it").focus()
    page.keyboard.press("Enter")
    expect(page.locator(FIELD)).to_be_focused()
    scanner(page, kit.serial)
    expect(page.locator(".verdict .who")).to_be_in_viewport(ratio=1)
    expect(page.locator(FIELD)).to_be_in_viewport(ratio=1)
    scanner(page, bench.day_of(2))
    expect(page.locator(SAY)).to_contain_text("tray 1, place 1")
    expect(page.locator(SAY)).to_be_in_viewport(ratio=1)
    scanner(page, dead.serial)
    expect(page.locator("[data-only-card]")).to_be_in_viewport(ratio=1)
    is_clean(page)
    scanner(page, "RB-ACKNOWLEDGE")
    expect(page.locator(SAY)).to_contain_text("Acknowledged")
    page.get_by_text("Finish or leave").focus()
    page.keyboard.press("Enter")
    page.get_by_label("Envelopes counted by hand").focus()
    page.keyboard.type("2")
    page.keyboard.press("Enter")
    expect(page.get_by_text("The delivery agrees with the count by hand: 2.")).to_be_visible()


def test_post_that_came_back_is_scanned_with_the_scanner_alone(browser: Browser, server: str) -> None:
    one, two = bench.kit_out(), bench.kit_out()
    page = signed_in_page(browser, server, cast.PHONE_DESK)
    page.goto(f"{server}{reverse('screening:post-undelivered')}")
    field = page.get_by_label("Scan the kit in the envelope")
    expect(field).to_be_focused()
    for code, words in (
        (one.serial, f"Kit {one.serial} is undelivered."),
        ("TK12", "Put this right"),
        (two.serial, f"Kit {two.serial} is undelivered."),
    ):
        scanner(page, code)
        expect(page.locator("main")).to_contain_text(words)
        expect(page.locator("[aria-live], [role=alert]", has_text=words)).to_have_count(1)
        expect(field).to_be_focused()
        assert page.url.endswith("/post/undelivered/"), "no scan may go to the search of the header"


@pytest.mark.parametrize("width", [640, 1000, 1280])
def test_a_long_word_of_a_delivery_is_broken(browser: Browser, server: str, width: int) -> None:
    session = bench.a_session()
    Delivery.objects.update(label="W" * 60)
    page = signed_in_page(browser, server, cast.PHONE_DESK, size=(width, 900))
    for address in (
        reverse("screening:post"), reverse("screening:post-delivery", args=[session.delivery_id]),
        reverse("screening:post-bench", args=[session.pk]),
    ):  # fmt: skip
        page.goto(f"{server}{address}")
        expect(page.locator("main")).to_contain_text("W" * 60)
        is_clean(page)
