"""The clinic of one desk (R15), from the first scan to the letter, by one account with three roles, in a browser.

Source: rulings R14 and R15: no trays; the delivery is opened by the first scan and one question; never off are the scan before
opening, the name compared, ACKNOWLEDGE, stop checks, page tokens. What two people decide, two accounts decide.
"""

from datetime import date
from typing import Any

import pytest

from outreach.models import Letter, PrintRun
from oversight.models import Rehearsal
from oversight.rehearsal.one_desk import ALONE, SECOND
from results.lab_formats.csv_readings import COLUMNS
from results.models import Referral, Result, Sample
from screening.models import Batch, DeathQuestion, Delivery, Kit, Return, Tray
from tests.journeys.desk import Desk, at_desk
from tests.journeys.stack import TODAY, Stack
from tests.journeys.test_the_thread import controls, scan

pytestmark = [pytest.mark.campaign, pytest.mark.stack, pytest.mark.browser, pytest.mark.timeout(600)]
MONDAY = date.fromisoformat(TODAY)
HIGH_AT = 3
LOGGED = 6


def test_one_person_runs_a_small_clinic_and_never_decides_alone_what_two_decide(
    clinic: Stack, browser: Any
) -> None:
    post = Rehearsal.objects.get().summary["post"]
    with at_desk(browser, clinic, ALONE) as desk:
        open_the_post_with_the_first_scan(desk, post)
        serials = measure(desk, clinic)
        release_below_and_above(desk, serials)
        print_and_post(desk, "Result: no further tests now")
        invite_and_pack(desk)
        ask_for_a_second_person(desk)
    with at_desk(browser, clinic, SECOND) as desk:
        desk.go("/second-look/")
        desk.press("I agree")
        desk.says("The death")
    assert DeathQuestion.objects.get().decided_by is not None


def open_the_post_with_the_first_scan(desk: Desk, post: list[str]) -> None:
    desk.go("/post/")
    desk.page.get_by_label("Scan the first kit").press_sequentially(post[0])
    desk.page.keyboard.press("Enter")
    desk.page.wait_for_selector("#raw")
    desk.page.wait_for_load_state("networkidle")
    assert Delivery.objects.filter(arrived_on=MONDAY).count() == 1
    scan(desk, "13")
    for serial in post[1:LOGGED]:
        scan(desk, serial)
        scan(desk, "13")
    scan(desk, post[0])
    assert "already" in desk.page.locator("main").inner_text().lower()
    back = Return.objects.filter(kit__serial__in=post)
    assert set(back.values_list("state", flat=True)) == {"ready"}
    assert back.count() == LOGGED
    assert not Tray.objects.filter(kind="rack").exists(), "one desk has no trays"


def measure(desk: Desk, clinic: Stack) -> list[str]:
    """An ordinary run over everything that is ready, one sample at or above."""
    desk.go("/lab/day/?analyser=S1")
    desk.page.locator("input[name=unit][value='ng/mL']").check()
    controls(desk, "main form")
    desk.press("Judge the controls")
    desk.page.wait_for_url("**/lab/runs/*/")
    for _ in range(60):
        serials = list(Sample.objects.filter(state="ready").order_by("pk").values_list("serial", flat=True))
        if len(serials) == 8 + LOGGED:
            break
        desk.page.wait_for_timeout(500)
    assert len(serials) == 8 + LOGGED, "what came back today and yesterday is on the bench"
    lines = [",".join(COLUMNS)]
    for n, serial in enumerate(serials, start=1):
        lines.append(f"{n},{serial},{'412.5' if n == HIGH_AT else f'{n + 20}.5'},ng/mL,,")
    file = clinic.logs / "readings.csv"
    file.write_text("\n".join(lines) + "\n")
    desk.page.set_input_files("input[type=file]", file)
    desk.press("Load the file")
    desk.says("taken")
    desk.go("/lab/day/")
    desk.follow("Go on with the run")
    controls(desk, "form[action$='/close/']")
    desk.press("Close the run")
    desk.says("in control")
    return serials


def release_below_and_above(desk: Desk, serials: list[str]) -> None:
    desk.go("/release/")
    desk.page.locator("details.ask summary").first.click()
    desk.page.locator("details.ask form button").first.click()
    desk.page.wait_for_load_state("load")
    assert Result.objects.filter(side="below").count() == len(serials) - 1
    desk.go("/release/")
    desk.follow(serials[HIGH_AT - 1])
    desk.press("Release as at or above")
    assert Referral.objects.exclude(state="closed").count() == 1


def invite_and_pack(desk: Desk) -> None:
    """Open a batch, print its letters, scan each letter with its kit, open the first and the last pack, post."""
    desk.go("/invite/")
    desk.page.fill("input[name=size]", "2")
    desk.press("Open the batch")
    address = desk.page.url
    batch = Batch.objects.latest("pk")
    for _ in range(120):
        if Letter.objects.filter(round__batch=batch, state="frozen").count() == 2:
            break
        desk.page.wait_for_timeout(500)
    print_and_post(desk, "Invitation with kit")
    desk.page.goto(address)
    desk.follow("Pack it")
    pairs = pairs_printed(batch)
    assert len(pairs) == 2
    for label, said in (("pack-code", "Right letter, right kit."), ("open-code", "Right. Seal it again.")):
        for letter, serial in pairs:
            desk.page.locator(f"#{label}").fill(letter)
            desk.page.keyboard.press("Enter")
            desk.says("Now the kit")
            desk.page.locator(f"#{label}").fill(serial)
            desk.page.keyboard.press("Enter")
            desk.says(said)
    desk.page.goto(address)
    desk.agree("Hand to the post", "Yes, they are posted")
    assert Kit.objects.filter(round__batch=batch, state="dispatched").count() == 2


def print_and_post(desk: Desk, kind: str) -> None:
    """One click makes the print run, the worker its document, and one agreement hands it over."""
    desk.go("/mail/")
    row = desk.page.locator("#print tr").filter(has=desk.page.get_by_text(kind, exact=True))
    for _ in range(60):
        if row.count():
            break
        desk.page.wait_for_timeout(1_000)
        desk.page.reload()
    row.first.get_by_role("button", name="Make a print run").click()
    desk.page.wait_for_load_state("load")
    run = PrintRun.objects.latest("pk")
    desk.go(f"/mail/runs/{run.pk}/")
    desk.reload_until("Hand over")
    assert desk.download("a[href$='/document/']").startswith(b"%PDF")
    desk.agree("Hand over", "Handed over")
    desk.says("anded over")
    run.refresh_from_db()
    assert run.status == PrintRun.Status.HANDED_OVER


def pairs_printed(batch: Batch) -> list[tuple[str, str]]:
    from tests.screening.recall.packing import pairs_of

    return pairs_of(batch)


def ask_for_a_second_person(desk: Desk) -> None:
    """She reports a death; with all her roles she cannot be the second person too (R14)."""
    person = Kit.objects.filter(state="dispatched").first().round.person
    desk.go(f"/people/{person.pk}/")
    reason = desk.page.locator("form[action$='/look/']")
    if reason.count():
        desk.press("Open")
    desk.page.locator("summary", has_text="Report a death").first.click()
    form = desk.page.locator(f"form[action$='/people/{person.pk}/death/']")
    form.locator("input[name=source]").fill("her son rang")
    form.locator("input[name=day]").fill("2026-06-12")
    form.locator("button[type=submit]").click()
    desk.says("a second person decides")
    desk.go("/second-look/")
    desk.says("You asked, so somebody else decides.")
