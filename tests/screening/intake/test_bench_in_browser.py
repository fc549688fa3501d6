"""A whole morning at the bench in Chromium: sixty kits, a lost network, a killed browser, two desks with one kit."""

import random
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Playwright, expect

from screening.models import IntakeSession, Kit, Return, Scan
from screening.services.intake_sql import recount
from tests import cast, factories
from tests.screening.intake import bench
from tests.screening.intake.desk_browser import (
    ARGS,
    FIELD,
    SAY,
    complaints_of,
    focus_is_in_the_field,
    kill_browser,
    scanner,
    sign_in,
    signed_in_page,
)

pytestmark = pytest.mark.browser
FACE = ".verdict"


@dataclass
class Desk:
    """An operator at the bench: what was scanned and what the screen said of each kit."""

    page: Page
    pace: float
    said: dict[str, str] = field(default_factory=dict)

    def see(self, words: str) -> str:
        """Wait until the verdict says this; its whole line."""
        expect(self.page.locator(SAY)).to_contain_text(words)
        return self.page.locator(SAY).inner_text()

    def breathe(self) -> None:
        """The hand moves to the next envelope."""
        self.page.wait_for_timeout(1000 * self.pace)

    def kit(self, kit: Kit, day: str) -> None:
        """Scan, compare, key the day."""
        scanner(self.page, kit.serial)
        expect(self.page.locator(f"{FACE} .who")).to_contain_text(str(kit.round.person))
        self.see("Compare the name")
        scanner(self.page, day)
        self.said[kit.serial] = self.see("–")
        self.breathe()

    def aside(self, kit: Kit, card: str) -> None:
        """Scan, compare, scan a card that sets aside."""
        scanner(self.page, kit.serial)
        self.see("Compare the name")
        scanner(self.page, card)
        self.said[kit.serial] = self.see("Set aside")
        self.breathe()

    def noted(self, kit: Kit, day: str) -> None:
        """A kit with a note in its envelope."""
        scanner(self.page, kit.serial)
        self.see("Compare the name")
        scanner(self.page, "RB-NOTE-ENCLOSED")
        self.see("Noted")
        scanner(self.page, day)
        self.said[kit.serial] = self.see("Accepted, with a remark")
        self.breathe()

    def typed(self, kit: Kit, day: str) -> None:
        """A barcode that cannot be read: the serial is typed by hand, first with a slip."""
        self.page.keyboard.type(kit.serial[:-1] + ("A" if kit.serial[-1] != "A" else "B"), delay=60)
        self.page.keyboard.press("Enter")
        self.see("Not taken")
        self.page.keyboard.type(kit.serial, delay=60)
        self.page.keyboard.press("Enter")
        self.see("Compare the name")
        scanner(self.page, day)
        self.said[kit.serial] = self.see("–")
        self.breathe()

    def stop(self, kit: Kit) -> None:
        """An alarm: Enter does not clear it, another kit is refused, only the card does."""
        scanner(self.page, kit.serial)
        self.said[kit.serial] = self.see("STOP")
        for _ in range(3):
            self.page.keyboard.press("Enter")
        scanner(self.page, bench.unknown())
        self.see("Not taken")
        expect(self.page.locator(".verdict.alarm")).to_be_visible()
        scanner(self.page, "RB-ACKNOWLEDGE")
        self.see("Acknowledged")
        self.breathe()

    def foreign(self) -> None:
        """Somebody else's parcel."""
        scanner(self.page, bench.foreign())
        self.see("Not ours")
        self.breathe()

    def away(self, kit: Kit, day: str) -> None:
        """While the network is away: scan and key; the screen says waiting, never accepted, and shows no name."""
        scanner(self.page, kit.serial)
        expect(self.page.locator(f"{FACE} [data-sentence]")).to_contain_text(kit.serial)
        scanner(self.page, day)
        self.see("Waiting – not stored")
        assert "Accepted" not in self.page.locator(SAY).inner_text()
        assert not self.page.locator(f"{FACE} .who").is_visible()
        self.breathe()

    def make_up(self, kit: Kit) -> None:
        """From the waiting rack: scan, compare the name now, say that it fits."""
        scanner(self.page, kit.serial)
        expect(self.page.locator(f"{FACE} .who")).to_contain_text(str(kit.round.person))
        scanner(self.page, "RB-NAMEFITS")
        self.said[kit.serial] = self.see("Name compared")
        self.breathe()


def troubles() -> list[tuple[str, Kit, str]]:
    """One of each trouble of reception (job 12.4) and what is done about it: (deed, kit, day or card)."""
    impossible = "31/11"
    return [
        ("kit", bench.kit_out(), "."),
        ("kit", bench.kit_out(), bench.day_of(9)),
        ("aside", bench.kit_out(), "RB-SETASIDE-NONAME"),
        ("aside", bench.kit_out(), "RB-SETASIDE-OTHERNAME"),
        ("kit", bench.kit_out(), impossible),
        ("aside", bench.kit_out(), "RB-FUTURE"),
        ("kit", bench.kit_out(sent_days_ago=3), bench.day_of(8)),
        ("aside", bench.kit_out(), "RB-SETASIDE-LEAKING"),
        ("aside", bench.kit_out(), "RB-SETASIDE-OVERFULL"),
        ("aside", bench.kit_out(), "RB-SETASIDE-EMPTY"),
        ("noted", bench.kit_out(), bench.day_of(2)),
        ("typed", bench.kit_out(), bench.day_of(4)),
        ("kit", bench.kit_of_a_late_round(), bench.day_of(2)),
        ("kit", bench.second_kit(), bench.day_of(2)),
        ("stop", bench.kit_of_the_dead(), ""),
        ("stop", bench.kit_of_the_dead(), ""),
    ]


def opened(page: Page, server: str) -> IntakeSession:
    """A delivery opened through the page; its session."""
    page.goto(f"{server}/post/")
    page.get_by_label("What it is").fill("morning sack")
    page.get_by_role("button", name="Start scanning").click()
    expect(page.locator(FIELD)).to_be_focused()
    return IntakeSession.objects.latest("pk")


@pytest.mark.parametrize(
    ("count", "pace", "cut"),
    [
        pytest.param(26, 0.0, 0.0, id="short"),
        pytest.param(
            60, 1.8, 20.0, id="three-minutes", marks=[pytest.mark.campaign, pytest.mark.timeout(600)]
        ),
    ],
)
def test_a_morning_of_kits_with_every_trouble_and_the_network_cut(
    browser: Browser, server: str, count: int, pace: float, cut: float
) -> None:
    mixed, clean = troubles(), [bench.kit_out() for _ in range(count - 16)]
    work = mixed + [("kit", kit, bench.day_of(n % 7)) for n, kit in enumerate(clean[4:])]
    random.Random(12).shuffle(work)  # noqa: S311
    page = signed_in_page(browser, server, cast.FRONT_DESK)
    complaints = complaints_of(page)
    session = opened(page, server)
    desk = Desk(page, pace)
    half = len(work) // 2
    for deed, kit, more in work[:half]:
        getattr(desk, deed)(*([kit] if deed == "stop" else [kit, more]))
    page.context.set_offline(True)
    gone = time.monotonic()
    for kit in clean[:4]:
        desk.away(kit, bench.day_of(2))
    expect(page.locator("[data-waiting-count]")).to_contain_text("4")
    page.wait_for_timeout(max(0.0, 1000 * (cut - (time.monotonic() - gone))))
    assert not Return.objects.filter(kit__in=clean[:4]).exists()
    page.context.set_offline(False)
    expect(page.locator("[data-waiting-count]")).to_be_hidden(timeout=20_000)
    for kit in clean[:4]:
        desk.make_up(kit)
    desk.foreign()
    for deed, kit, more in work[half:]:
        getattr(desk, deed)(*([kit] if deed == "stop" else [kit, more]))
    assert focus_is_in_the_field(page)
    _nothing_lost(session, [kit for _deed, kit, _more in work] + clean[:4], desk.said)
    assert complaints == []


def _nothing_lost(session: IntakeSession, kits: list[Kit], said: dict[str, str]) -> None:
    """Every kit has one return, in the place the screen named, and no place holds two."""
    returns = {
        back.kit.serial: back
        for back in Return.objects.exclude(state="undone").select_related("kit", "tray").filter(kit__in=kits)
    }
    assert set(returns) == {kit.serial for kit in kits} == set(said)
    assert Return.objects.filter(session=session).count() == len(kits)
    places = {"rack": "tray {}, place {}", "aside": "slot {}{}"}
    for serial, back in returns.items():
        assert back.tray is not None
        assert said[serial].endswith(places[back.tray.kind].format(back.tray.label, back.position)), said[
            serial
        ]
    for kind in ("rack", "aside"):
        taken = sorted(b.position for b in returns.values() if b.tray.kind == kind)
        assert taken == list(range(1, len(taken) + 1))
    session.refresh_from_db()
    assert (session.accepted, session.set_aside, session.not_ours) == recount(session.pk)
    assert session.accepted + session.set_aside == len(kits)


def test_a_browser_killed_while_scans_wait_loses_none_and_stores_none_twice(
    player: Playwright, program: str | None, server: str, tmp_path: Path
) -> None:
    kits, profile = [bench.kit_out() for _ in range(3)], str(tmp_path / "profile")
    session = bench.a_session()
    context = player.chromium.launch_persistent_context(profile, executable_path=program, args=ARGS)
    sign_in(context, server, cast.FRONT_DESK)
    page = context.new_page()
    page.goto(f"{server}/post/{session.pk}/")
    expect(page.locator(FIELD)).to_be_focused()
    desk = Desk(page, 0.0)
    lost = {"answers": 1}

    def store_and_lose_the_answer(route: object) -> None:
        """The first scan reaches the server; its answer and everything after it is lost."""
        if lost["answers"]:
            lost["answers"] -= 1
            route.fetch()
        route.abort("internetdisconnected")

    page.route("**/scan", store_and_lose_the_answer)
    scanner(page, kits[0].serial)
    expect(page.locator(f"{FACE} [data-sentence]")).to_contain_text("Not stored yet")
    scanner(page, bench.day_of(2))
    for kit in kits[1:]:
        desk.away(kit, bench.day_of(2))
    assert kill_browser(profile) > 0
    assert Return.objects.count() == 0
    assert Scan.objects.filter(session=session).count() == 1
    again = player.chromium.launch_persistent_context(profile, executable_path=program, args=ARGS)
    sign_in(again, server, cast.FRONT_DESK)
    page = again.new_page()
    page.goto(f"{server}/post/{session.pk}/")
    expect(page.locator(f"{FACE} [data-sentence]")).to_contain_text(
        "The waiting scans are stored", timeout=20_000
    )
    desk = Desk(page, 0.0)
    for kit in kits:
        desk.make_up(kit)
    _nothing_lost(session, kits, desk.said)
    assert page.evaluate("indexedDB.databases().then((all) => all.length)") == 1
    page.reload()
    expect(page.locator("[data-waiting-count]")).to_be_hidden()
    assert Return.objects.count() == 3
    again.close()


AT_ONCE = """([raw, moment]) => new Promise((done) => setTimeout(() => {
    document.getElementById("raw").value = raw;
    document.getElementById("scan").requestSubmit();
    done();
}, Math.max(0, moment - Date.now())))"""


def both(pages: list[Page], raw: str) -> None:
    """The same text entered in both windows at the same moment."""
    moment = pages[0].evaluate("Date.now()") + 150
    for page in pages:
        page.evaluate(f"(given) => {{ ({AT_ONCE})(given); }}", [raw, moment])


@pytest.mark.parametrize(
    "rounds",
    [
        pytest.param(4, id="short"),
        pytest.param(50, id="fifty", marks=[pytest.mark.campaign, pytest.mark.timeout(900)]),
    ],
)
@pytest.mark.parametrize("one_session", [False, True], ids=["two sessions", "two windows of one session"])
def test_the_same_kit_at_two_desks_in_the_same_second(
    browser: Browser, server: str, rounds: int, one_session: bool
) -> None:
    first = bench.a_session()
    sessions = [first, first if one_session else bench.a_session()]
    pages = [signed_in_page(browser, server, who) for who in (cast.FRONT_DESK, cast.PHONE_DESK)]
    for page, session in zip(pages, sessions, strict=True):
        page.goto(f"{server}/post/{session.pk}/")
        expect(page.locator(FIELD)).to_be_focused()
    day = bench.day_of(2)
    for done in range(rounds):
        kit = bench.kit_out()
        both(pages, kit.serial)
        for page in pages:
            expect(page.locator(f"{FACE} .who")).to_contain_text(str(kit.round.person))
        both(pages, day)
        for page in pages:
            expect(page.locator(SAY)).not_to_contain_text("Compare")
            expect(page.locator(SAY)).not_to_contain_text("Heard")
        assert Return.objects.filter(kit=kit).count() == 1
        assert Return.objects.count() == done + 1
        pages[0].wait_for_timeout(100)
    assert Return.objects.filter(state="ready").count() == rounds
    for session in sessions:
        session.refresh_from_db()
        assert (session.accepted, session.set_aside, session.not_ours) == recount(session.pk)
    assert sum(one.accepted for one in {session.pk: session for session in sessions}.values()) == rounds


def test_the_desk_stops_when_too_many_scans_wait(browser: Browser, server: str) -> None:
    session, page = bench.a_session(), signed_in_page(browser, server, cast.FRONT_DESK)
    page.goto(f"{server}/post/{session.pk}/")
    expect(page.locator(FIELD)).to_be_focused()
    page.context.set_offline(True)
    keyed = {factories.a_kit().serial: str(12 + n % 3) for n in range(26)}
    for serial, day in keyed.items():
        scanner(page, serial)
        scanner(page, day)
    expect(page.locator("[data-line]")).to_contain_text("Stop scanning")
    expect(page.locator("[data-waiting-count]")).to_contain_text("25")
    page.context.set_offline(False)
    expect(page.locator("[data-waiting-count]")).to_be_hidden(timeout=20_000)
    assert Scan.objects.filter(session=session).count() == 25
    assert dict(Return.objects.values_list("kit__serial", "label_day")) == dict(list(keyed.items())[:25])


def test_a_scanner_with_prefix_suffix_and_tab_and_a_double_scan(browser: Browser, server: str) -> None:
    session, page = bench.a_session(), signed_in_page(browser, server, cast.FRONT_DESK)
    kits = [bench.kit_out() for _ in range(2)]
    page.goto(f"{server}/post/{session.pk}/")
    page.get_by_text("Sounds and scanner of this desk").click()
    page.get_by_label("What this scanner sends before a code").fill("~")
    page.get_by_label("What it sends after a code, before Enter or Tab").fill("#")
    page.locator(FIELD).focus()
    for _ in range(2):
        page.keyboard.type(f"~{kits[0].serial}#")
        page.keyboard.press("Tab")
    expect(page.locator("[data-line]")).to_contain_text("Heard twice")
    page.keyboard.type(bench.day_of(3))
    expect(page.locator("[data-preview]")).to_contain_text("14 June, 3 days ago")
    page.keyboard.type(f"~{kits[1].serial}#")
    page.keyboard.press("Tab")
    expect(page.locator(f"{FACE} .who")).to_contain_text(str(kits[1].round.person))
    page.keyboard.type("+")
    expect(page.locator("[data-preview]")).to_contain_text("14 June")
    page.keyboard.press("Enter")
    expect(page.locator(SAY)).to_contain_text("tray 1, place 2")
    page.keyboard.press("F2")
    expect(page.locator(SAY)).to_contain_text("Undone")
    page.wait_for_timeout(1600)
    page.keyboard.press("Control+z")
    expect(page.locator(".tally dd").first).to_have_text("0")
    assert list(Return.objects.values_list("state", flat=True)) == ["undone", "undone"]


def test_a_wrong_day_stops_the_kit_that_was_scanned_after_it(browser: Browser, server: str) -> None:
    session, page = bench.a_session(), signed_in_page(browser, server, cast.FRONT_DESK)
    early, after = bench.kit_out(sent_days_ago=2), bench.kit_out()
    page.goto(f"{server}/post/{session.pk}/")
    scanner(page, early.serial)
    expect(page.locator(SAY)).to_contain_text("Compare")
    scanner(page, f"{bench.day_of(6)}{after.serial}")
    expect(page.locator(SAY)).to_contain_text("Set aside")
    expect(page.locator("[data-line]")).to_contain_text("Scan those kits again")
    assert page.evaluate("document.documentElement.dataset.lastSound") == "low"
    assert Kit.objects.get(pk=after.pk).state == "dispatched"
    assert Scan.objects.filter(session=session).count() == 2
