"""Stories of call and recall, each played in Chromium: twins, deaths, opt-outs, late kits, a postponement, a move.

The numbers are those of the project's list of thirty people; what must happen is told there and in the job description.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from results.models import Referral
from screening.models import Exclusion, Lot, Person, Return, Round
from screening.services.batches import batch_open, kits_stock
from screening.services.due import due_dates_refresh
from screening.services.duplicates import duplicates_find
from screening.services.register_lines import COLUMNS
from screening.services.rounds import rounds_close
from staff import clock
from tests import cast, factories
from tests.results.follow_up import a_referral
from tests.screening.intake import bench
from tests.screening.intake.desk_browser import FIELD, SAY, complaints_of, scanner, signed_in_page

pytestmark = pytest.mark.browser
TODAY = date(2026, 6, 17)


@contextmanager
def at_desk(browser: Browser, server: str, name: str, *, expected: int = 0) -> Iterator[Page]:
    """A member of staff at a page; the console may not complain beside the pages that were `expected` to refuse."""
    page = signed_in_page(browser, server, name)
    wrong = complaints_of(page)
    page.set_default_timeout(15_000)
    yield page
    refused = [words for words in wrong if "422" in words]
    assert (len(refused), [words for words in wrong if words not in refused]) == (expected, [])
    page.context.close()


def find(page: Page, server: str, text: str) -> None:
    """Type into the box at the top, as one does on the phone."""
    page.goto(f"{server}/")
    page.locator("[data-search]").fill(text)
    page.keyboard.press("Enter")
    page.locator("main h1").wait_for()
    page.wait_for_load_state("load")
    if page.get_by_role("button", name="Open the record").count():
        page.keyboard.press("Enter")  # the person is on the phone, which is the first reason
        page.locator(".strip").wait_for()


def number_of(person: Person) -> str:
    return person.identifiers.get().value


def opened(page: Page, summary: str) -> None:
    page.locator("summary", has_text=summary).first.click()


def a_line(person: Person, **change: str) -> str:
    facts = {c: getattr(person, c, "") or "" for c in COLUMNS} | {"person_number": number_of(person)} | change
    return ",".join(str(facts[c]) for c in COLUMNS)


def feed_by_page(page: Page, server: str, tmp_path: Path, *lines: str) -> None:
    """Send a register file through the page and apply it, or release it where it is held."""
    file = tmp_path / f"delta-{len(list(tmp_path.iterdir()))}.csv"
    file.write_text("\n".join([",".join(COLUMNS), *lines]) + "\n")
    page.goto(f"{server}/register/")
    page.set_input_files("input[type=file]", file)
    page.get_by_role("button", name="Check this file").click()
    page.wait_for_url("**/register/*/")


def applied(browser: Browser, server: str, tmp_path: Path, *lines: str) -> None:
    """One administers, the manager releases: a single changed person of few is more than half a per cent."""
    with at_desk(browser, server, cast.ADMINISTRATOR) as page:
        feed_by_page(page, server, tmp_path, *lines)
        at = page.url
    with at_desk(browser, server, cast.MANAGER) as page:
        page.goto(at)
        opened(page, "Release")
        page.locator("details[open] button").first.click()
        expect(page.locator("main")).to_contain_text("applied")


def test_story_1_twins_are_told_apart_once_and_warn_at_the_phone(browser: Browser, server: str) -> None:
    home = {"family_name": "Tolvane", "address_1": "1 Mill Lane"}
    one = factories.a_person(**home, given_names="Marra", name_key="tolvane marra")
    two = factories.a_person(**home, given_names="Wenna", name_key="tolvane wenna")
    duplicates_find(by=cast.member(cast.PHONE_DESK))
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        page.goto(f"{server}/duplicates/")
        page.get_by_role("link", name="Marra Tolvane").click()
        page.get_by_label("How you know").fill("twin sisters, both rang")
        page.get_by_role("button", name="Checked: different people").click()
        expect(page.locator("main")).to_contain_text("Told apart.")
        find(page, server, number_of(one))
        expect(page.locator(".strip")).to_contain_text("Look-alike: Wenna Tolvane")
    due_dates_refresh(by=cast.member(cast.PHONE_DESK))
    assert {
        p.next_due_on is not None and p.next_due_on <= TODAY
        for p in Person.objects.filter(pk__in=[one.pk, two.pk])
    } == {True}


def test_story_2_a_couple_swapped_their_vials(browser: Browser, server: str) -> None:
    home = {"address_1": "1 Mill Lane", "postcode": "0Q-900"}
    rounds = [factories.a_round(factories.a_person(**home, given_names=name)) for name in ("Marra", "Corvin")]
    mine, theirs = (bench.kit_of(one) for one in rounds)
    kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    factories.a_delivery()
    with at_desk(browser, server, cast.FRONT_DESK) as page:
        page.goto(f"{server}/post/")
        page.get_by_role("button", name="Open it").click()
        page.wait_for_load_state("networkidle")  # the script of the bench is at work
        expect(page.locator(FIELD)).to_be_focused()
        for kit in (mine, theirs):
            scanner(page, kit.serial)
            expect(page.locator("main")).to_contain_text("Somebody else at the same address has a kit too")
            scanner(page, "RB-SETASIDE-OTHERNAME")
            expect(page.locator(SAY)).to_contain_text("slot A")
    first = Return.objects.get(kit=mine)
    assert {r.state for r in Return.objects.all()} == {"set_aside"}
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        page.goto(f"{server}/set-asides/{first.pk}/")
        expect(page.locator("main")).to_contain_text(
            "Another name, and somebody in the same household has a kit too"
        )
        page.get_by_role("button", name="Swapped with this kit: test neither").first.click()
        page.wait_for_load_state("load")
    assert {r.state for r in Return.objects.all()} == {"unsuitable"}, "neither is measured"
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        page.goto(f"{server}/invite/")
        opened(page, "Send replacement kits")
        page.locator("details[open] button").first.click()
        expect(page.locator("main")).to_contain_text("2 replacement kits were handed to the post.")
    for one in rounds:
        one.refresh_from_db()
        assert (one.state, one.kits.count()) == ("kit_out", 2), "each gets a kit of their own"


def test_stories_3_and_30_death_stops_mail_and_a_move_does_not_stop_a_referral(
    browser: Browser, server: str, tmp_path: Path
) -> None:
    dead, moved = a_referral(), a_referral()
    lines = [a_line(dead.person, deceased_on="2026-06-15"), a_line(moved.person, left_area_on="2026-06-16")]
    applied(browser, server, tmp_path, *lines)
    assert {r.state for r in Referral.objects.all()} == {"to_reach"}, "a referral never stops by a file"
    assert set(Round.objects.values_list("state", flat=True)) == {"follow_up"}
    with at_desk(browser, server, cast.COORDINATOR) as page:
        find(page, server, number_of(dead.person))
        expect(page.locator(".strip")).to_contain_text("Died")
        expect(page.locator("main")).to_contain_text("Not due: the register says this person has died.")
        find(page, server, number_of(moved.person))
        expect(page.locator(".strip")).to_contain_text("Left the area")
        expect(page.locator(".strip")).to_contain_text("In a round: more tests needed, being followed up.")


def test_story_4_who_died_before_print_is_left_out_one_by_one(
    browser: Browser, server: str, tmp_path: Path
) -> None:
    kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    people = [factories.a_person() for _ in range(3)]
    batch = batch_open(by=cast.member(cast.PHONE_DESK), size=3)
    applied(browser, server, tmp_path, a_line(people[1], deceased_on="2026-06-16"))
    with at_desk(browser, server, cast.MANAGER) as page:
        page.goto(f"{server}/invite/{batch.pk}/")
        expect(page.locator("main")).to_contain_text("people left out")
        opened(page, "Hand to the post")
        page.get_by_role("button", name="Yes, they are posted").click()
        expect(page.locator("main")).to_contain_text("2 kits were handed to the post.")
    assert Round.objects.get(person=people[1]).close_reason == "died"


def test_story_5_a_kit_from_somebody_who_opted_out_is_still_taken(browser: Browser, server: str) -> None:
    round_ = factories.a_round(factories.a_person())
    kit = bench.kit_of(round_)
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        find(page, server, kit.serial)
        opened(page, "Record that the person stops something")
        page.locator("#stop_source").fill("rang, name and birth date checked")
        page.get_by_role("button", name="Record the stop").click()
        expect(page.locator(".strip")).to_contain_text("Opted out of invitations")
    assert Round.objects.get(pk=round_.pk).close_reason == "declined"
    factories.a_delivery()
    with at_desk(browser, server, cast.FRONT_DESK) as page:
        page.goto(f"{server}/post/")
        page.get_by_role("button", name="Open it").click()
        page.wait_for_load_state("networkidle")  # the script of the bench is at work
        expect(page.locator(FIELD)).to_be_focused()
        scanner(page, kit.serial)
        scanner(page, bench.day_of(2))
        expect(page.locator(SAY)).to_contain_text("slot A1")
    assert Return.objects.get(kit=kit).state in {"ready", "set_aside"}, "a kit that came is never thrown away"


def test_story_6_a_late_kit_opens_its_closed_round_again(browser: Browser, server: str) -> None:
    round_ = factories.a_round(factories.a_person(), sent_days_ago=100)
    rounds_close(by=cast.member(cast.ADMINISTRATOR), round_ids=[round_.pk], reason="not_returned", rule="R12")
    factories.a_delivery()
    with at_desk(browser, server, cast.FRONT_DESK) as page:
        page.goto(f"{server}/post/")
        page.get_by_role("button", name="Open it").click()
        page.wait_for_load_state("networkidle")  # the script of the bench is at work
        expect(page.locator(FIELD)).to_be_focused()
        scanner(page, bench.kit_of(round_).serial)
        scanner(page, bench.day_of(2))
        expect(page.locator(SAY)).to_contain_text("tray 1, place 1")
    round_.refresh_from_db()
    assert (round_.state, round_.close_reason) == ("result_due", "")
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        find(page, server, number_of(round_.person))
        expect(page.locator("main")).to_contain_text("A late kit came; the round is open again")


@pytest.mark.parametrize(
    ("story", "day", "sent", "words"),
    [
        (8, "31", 10, "Set aside"),
        (9, str((TODAY - timedelta(days=14)).day), 10, "Set aside"),
        (10, str((TODAY - timedelta(days=20)).day), 40, ""),
    ],
    ids=["story 8: a day that month does not have", "story 9: before it was sent", "story 10: over age"],
)  # fmt: skip
def test_stories_8_9_and_10_a_day_that_cannot_count_is_asked_about(
    browser: Browser, server: str, story: int, day: str, sent: int, words: str
) -> None:
    kit = bench.kit_of(factories.a_round(factories.a_person(), sent_days_ago=sent))
    factories.a_delivery()
    with at_desk(browser, server, cast.FRONT_DESK) as page:
        page.goto(f"{server}/post/")
        page.get_by_role("button", name="Open it").click()
        page.wait_for_load_state("networkidle")  # the script of the bench is at work
        expect(page.locator(FIELD)).to_be_focused()
        scanner(page, kit.serial)
        expect(page.locator(".verdict .who")).not_to_be_empty()
        scanner(page, day)
        expect(page.locator(SAY)).to_contain_text(words)
    back = Return.objects.filter(kit=kit).first()
    assert back is None or back.state in {"set_aside", "unsuitable"}, f"story {story}: never plainly accepted"


# Story 20: pregnant at fifty: asked to wait, with an end, back by herself.
def test_story_20_a_postponement_has_an_end_and_comes_back_by_itself(browser: Browser, server: str) -> None:
    person = factories.a_person(birth_date=date(1976, 6, 1), phone="020 555-0117")
    due_dates_refresh(by=cast.member(cast.PHONE_DESK))
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        find(page, server, "020 555 0117")
        opened(page, "Postpone until a day")
        page.get_by_label("Not before").fill("2027-03-01")
        page.get_by_role("button", name="Postpone", exact=True).click()
        expect(page.locator("main")).to_contain_text("Not due: postponed.")
        expect(page.locator(".strip")).to_contain_text("1 March 2027")
    assert Exclusion.objects.get().until == date(2027, 3, 1)
    with clock.at(clock.moment(date(2027, 3, 1), 9)):
        assert Person.objects.get(pk=person.pk).next_due_on == clock.today()


def test_a_death_in_error_is_taken_back_by_two_at_the_pages(browser: Browser, server: str) -> None:
    person = factories.a_person(deceased_on=date(2026, 6, 1), next_due_on=None)
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        find(page, server, number_of(person))
        opened(page, "The death is an error")
        page.get_by_label("How we know that the death is an error").fill("she rang herself")
        page.get_by_role("button", name="Ask a second person").click()
        expect(page.locator("main")).to_contain_text("A second person decides.")
        page.goto(f"{server}/second-look/")
        expect(page.locator("main")).to_contain_text("You asked, so somebody else decides.")
    with at_desk(browser, server, cast.COORDINATOR) as page:
        page.goto(f"{server}/second-look/")
        page.get_by_role("button", name="I agree").click()
        expect(page.locator("main")).to_contain_text("The death is taken back.")
    person.refresh_from_db()
    assert (person.deceased_on, person.next_due_on) == (None, None)
