"""The bench in a real browser: a scanner that types like a keyboard, verdicts, focus, alarms, a lost network."""

from datetime import date

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from screening.models import Return, Scan
from tests import cast
from tests.screening.intake import bench
from tests.screening.intake.desk_browser import (
    FIELD,
    RULES,
    SAY,
    focus_is_in_the_field,
    scanner,
    signed_in_page,
)

pytestmark = pytest.mark.browser


def test_five_kits_by_keyboard_and_an_alarm_that_enter_does_not_clear(browser: Browser, server: str) -> None:
    kits = [bench.kit_out() for _ in range(4)]
    dead = bench.kit_of_the_dead()
    page = signed_in_page(browser, server, cast.FRONT_DESK)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(f"{server}/post/")
    page.get_by_label("What it is").fill("morning sack")
    page.get_by_role("button", name="Start scanning").click()
    expect(page.locator(FIELD)).to_be_focused()

    day = bench.day_of(3)
    for number, kit in enumerate(kits[:2], start=1):
        scanner(page, kit.serial)
        expect(page.locator(SAY)).to_contain_text("Compare the name")
        expect(page.locator(".verdict .who")).to_contain_text(str(kit.round.person))
        scanner(page, day)
        expect(page.locator(SAY)).to_contain_text(f"tray 1, place {number}")
        assert focus_is_in_the_field(page)

    page.locator(".verdict").click()
    page.locator(".tally").click()
    assert focus_is_in_the_field(page)

    # The day still stands in the field when the next kit is scanned: one line, two scans.
    scanner(page, kits[2].serial)
    expect(page.locator(SAY)).to_contain_text("Compare")
    scanner(page, f"{day}{kits[3].serial}")
    expect(page.locator(".verdict .who")).to_contain_text(str(kits[3].round.person))
    scanner(page, "RB-SETASIDE-NONAME")
    expect(page.locator(SAY)).to_contain_text("Set aside – slot A1")

    scanner(page, dead.serial)
    expect(page.locator(SAY)).to_contain_text("STOP")
    for _ in range(3):
        page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    expect(page.locator(".verdict.alarm")).to_be_visible()
    scanner(page, kits[0].serial)
    expect(page.locator(SAY)).to_contain_text("Not taken")
    expect(page.locator(".verdict.alarm")).to_be_visible()
    scanner(page, "RB-ACKNOWLEDGE")
    expect(page.locator(SAY)).to_contain_text("Acknowledged")
    assert focus_is_in_the_field(page)
    assert page.locator(".tally dd").all_inner_texts()[:3] == ["3", "2", "0"]

    page.reload()
    assert page.locator(".tally dd").all_inner_texts()[:3] == ["3", "2", "0"]
    assert Return.objects.count() == 5
    assert complaints == []
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == []


PACED = """async ([text, gap]) => {
    const field = document.getElementById("raw");
    for (const key of [...text, "Enter"]) {
        field.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
        if (key !== "Enter") field.value += key;
        if (gap) await new Promise((then) => setTimeout(then, gap));
    }
    field.form.requestSubmit();
}"""


def test_a_scanners_line_is_told_from_a_hands(browser: Browser, server: str) -> None:
    kits = [bench.kit_out() for _ in range(2)]
    page = signed_in_page(browser, server, cast.FRONT_DESK)
    page.goto(f"{server}/post/{bench.a_session().pk}/")
    expect(page.locator(FIELD)).to_be_focused()
    for kit, gap in zip(kits, (0, 60), strict=True):
        page.evaluate(PACED, [kit.serial, gap])
        expect(page.locator(".verdict .who")).to_contain_text(str(kit.round.person))
        scanner(page, bench.day_of(3))
        expect(page.locator(SAY)).to_contain_text("tray 1")
    typed = [Scan.objects.get(raw=kit.serial).typed for kit in kits]
    assert typed == [False, True]


def test_a_scan_made_while_the_network_is_away_is_stored_once(browser: Browser, server: str) -> None:
    kit = bench.kit_out()
    session = bench.a_session()
    page = signed_in_page(browser, server, cast.FRONT_DESK)
    page.goto(f"{server}/post/{session.pk}/")
    lost = {"answers": 2}

    def drop_the_answer(route: object) -> None:
        """The server stores the scan; its answer is lost on the way back."""
        if lost["answers"]:
            lost["answers"] -= 1
            route.fetch()
            route.abort()
        else:
            route.continue_()

    page.route("**/scan", drop_the_answer)
    scanner(page, kit.serial)
    expect(page.locator(".verdict.waiting")).to_contain_text("Not stored yet")
    expect(page.locator("[data-waiting-count]")).to_contain_text("1")
    expect(page.locator(".verdict .who")).to_contain_text(str(kit.round.person), timeout=15_000)
    assert Scan.objects.filter(session=session).count() == 1


def test_set_asides_can_be_solved_by_keyboard(browser: Browser, server: str) -> None:
    kit = bench.kit_out()
    bench.scan(bench.a_session(), kit.serial, "", "no_name")
    page = signed_in_page(browser, server, cast.PHONE_DESK, scheme="dark")
    page.goto(f"{server}/set-asides/")
    found = Axe().run(page, options=RULES).response["violations"]
    assert [one["id"] for one in found] == []
    page.keyboard.press("j")
    expect(page.locator("[data-row-link]")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_label("The day the sample was taken")).to_be_focused()
    page.keyboard.type(bench.day_of(4))
    page.keyboard.press("Enter")
    save = page.get_by_role("button", name="Save this day")
    expect(save).to_be_visible()
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == []
    save.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("is ready for the bench")).to_be_visible()
    assert Return.objects.get(kit=kit).collected_latest == date(2026, 6, 13)
