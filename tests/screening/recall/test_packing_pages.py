"""The packing table, a contractor's file and kits in doubt at their pages and by command, with a scanner in Chromium."""

import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.core.management.base import CommandError
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Browser, expect

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.packs import manifest_take, round_of_token
from outreach.services.planning import letters_plan
from screening.models import Batch, Kit, KitDoubt, Lot, Pack, PackCheck, ScreeningPolicy
from screening.services.batches import batch_dispatch, batch_open, kit_reported_lost, kits_stock
from screening.services.packing import pack_scan
from staff.acting import acting
from staff.models import AccessEntry
from tests import cast, factories
from tests.screening.intake.desk_browser import scanner
from tests.screening.recall.packing import a_manifest, a_printed_batch, pairs_of
from tests.screening.recall.test_stories_in_browser import at_desk, opened

SignIn = Callable[[str], Client]


@pytest.mark.browser
def test_a_batch_is_packed_with_a_scanner_checked_and_posted(browser: Browser, server: str) -> None:
    batch = a_printed_batch(2)
    (one, mine), (other, theirs) = pairs_of(batch)
    with at_desk(browser, server, cast.PHONE_DESK, expected=1) as page:
        page.goto(f"{server}/invite/{batch.pk}/")
        page.get_by_role("link", name="Pack it").click()
        expect(page.get_by_label("Letter", exact=True)).to_be_focused()
        scanner(page, one)
        expect(page.get_by_label("Kit", exact=True)).to_be_focused()
        scanner(page, theirs)
        expect(page.locator(".notice.said")).to_contain_text(
            f"STOP: not this kit. The letter asks for {mine}"
        )
        for pair in ((one, mine), (other, theirs)):
            scanner(page, pair[0])
            expect(page.get_by_label("Kit", exact=True)).to_be_focused()
            scanner(page, pair[1])
            expect(page.locator(".notice.said")).to_contain_text("Right letter, right kit. Seal it.")
            expect(page.get_by_label("Letter", exact=True)).to_be_focused()
        for pair in ((one, mine), (other, theirs)):
            page.get_by_label("Letter of the opened pack").focus()
            scanner(page, pair[0])
            expect(page.get_by_label("Kit found in it")).to_be_focused()
            scanner(page, pair[1])
            expect(page.locator(".notice.said")).to_contain_text("Right. Seal it again.")
        page.goto(f"{server}/invite/{batch.pk}/")
        opened(page, "Hand to the post")
        page.get_by_label("Posted from").select_option(label="Quillport Harbour Clinic")
        page.get_by_role("button", name="Yes, they are posted").click()
        expect(page.locator("main")).to_contain_text("2 kits were handed to the post.")
    batch.refresh_from_db()
    assert batch.posted_from is not None
    assert list(Pack.objects.order_by("pk").values_list("verdict", flat=True)) == [
        "mispaired",
        "paired",
        "paired",
    ]


def test_a_batch_that_is_not_packed_says_so_when_it_is_to_be_posted(signed_in: SignIn) -> None:
    desk = signed_in(cast.PHONE_DESK)
    batch = a_printed_batch(2)
    page = desk.post(reverse("screening:batch-dispatch", args=[batch.pk]), follow=True).content.decode()
    assert "2 kits were not scanned with their letters" in page
    assert "0 kits are packed and proven" in page
    scan = reverse("outreach:pack", args=[batch.pk])
    token, serial = pairs_of(batch)[0]
    assert "Scan the square of the letter first" in desk.post(scan, {"code": serial}).content.decode()
    held = desk.post(scan, {"code": "TK12", "letter": token})
    assert held.status_code == 422
    assert f'value="{token}"' in held.content.decode(), "a kit that was misread does not lose the letter"
    assert "Nothing was read" in desk.post(scan, {"code": ""}).content.decode()
    desk.post(scan, {"code": serial, "letter": token})
    assert "Take out those missing" in desk.get(scan).content.decode()
    desk.post(reverse("outreach:pack-missing", args=[batch.pk]))
    assert Kit.objects.filter(void_reason="not found when packing").count() == 1


def test_a_manifest_is_taken_at_its_page_and_by_command(signed_in: SignIn, tmp_path: Path) -> None:
    desk = signed_in(cast.PHONE_DESK)
    batch = a_printed_batch(3)
    pairs = pairs_of(batch)
    at = reverse("outreach:manifests")

    def sent(content: bytes) -> str:
        file = SimpleUploadedFile("house.csv", content, "text/csv")
        return desk.post(at, {"file": file}, follow=True).content.decode()

    assert "the columns are: batch, tray, letter, kit, posted_on" in sent(b"what\n1\n")
    assert "2 right pairs were taken" in sent(a_manifest(batch, pairs[:2]))
    assert "taken before" in sent(a_manifest(batch, pairs[:2]))
    file = tmp_path / "rest.csv"
    file.write_bytes(a_manifest(batch, pairs))
    out = io.StringIO()
    call_command("take_manifest", str(file), "--by", "junia", "--dry-run", "--json", stdout=out)
    assert json.loads(out.getvalue())["paired"] == 1
    assert Pack.objects.filter(verdict="paired").count() == 2
    call_command("take_manifest", str(file), "--by", "junia", stdout=out)
    assert "1 right pairs, 0 refused, 2 known before" in out.getvalue()
    with pytest.raises(CommandError):
        call_command("take_manifest", str(tmp_path / "none.csv"), "--by", "junia")
    file.write_bytes(a_manifest(batch, [(pairs[0][0], pairs[1][1])]))
    with pytest.raises(SystemExit) as doubt:
        call_command("take_manifest", str(file), "--by", "junia", stdout=out)
    assert doubt.value.code == 3
    assert "kits are in doubt" in sent(a_manifest(batch, [(pairs[2][0], pairs[1][1])]))
    assert "letter and kit do not belong together" in desk.get(at).content.decode()


def test_a_range_is_put_in_doubt_at_its_page(signed_in: SignIn) -> None:
    desk = signed_in(cast.PHONE_DESK)
    kit = factories.a_round().kits.get()
    at = reverse("screening:doubts")
    wrong = desk.post(at, {"first": kit.serial, "last": "TK1", "why": "x"})
    assert wrong.status_code == 422
    done = desk.post(
        at, {"first": kit.serial, "last": kit.serial, "why": "offset", "posted": "on"}, follow=True
    )
    assert "Kits set aside when they come: 1. People who get another kit: 1." in done.content.decode()
    assert KitDoubt.objects.get().posted


def test_ten_letters_of_a_batch_open_as_one_document_and_are_journalled(signed_in: SignIn) -> None:
    manager = signed_in(cast.MANAGER)
    batch = a_printed_batch(3)
    document = manager.get(reverse("outreach:batch-preview", args=[batch.pk]))
    assert (document["Content-Type"], document.content[:4]) == ("application/pdf", b"%PDF")
    assert AccessEntry.objects.filter(place="outreach:batch-preview").count() == 3
    empty = Batch.objects.create(
        number="260617-9", opened_on=batch.opened_on, opened_by=batch.opened_by, opened_at=batch.opened_at,
        protocol=batch.protocol,
    )  # fmt: skip
    assert manager.get(reverse("outreach:batch-preview", args=[empty.pk])).status_code >= 400


def a_packed_batch(desk: Client, size: int) -> tuple[Batch, list[tuple[str, str]]]:
    batch = a_printed_batch(size)
    pairs = pairs_of(batch)
    for token, serial in pairs:
        desk.post(reverse("outreach:pack", args=[batch.pk]), {"code": serial, "letter": token})
    return batch, pairs


def test_a_wrong_opened_pack_is_told_once_and_written_once(signed_in: SignIn) -> None:
    desk = signed_in(cast.PHONE_DESK)
    batch, ((one, _mine), (_other, theirs)) = a_packed_batch(desk, 2)
    check, table = (reverse(f"outreach:{name}", args=[batch.pk]) for name in ("pack-opened", "pack"))
    assert "in doubt" not in desk.get(table).content.decode()
    wrong = {"code": theirs, "letter": one}
    answer = desk.post(check, wrong)
    assert (answer.status_code, answer["Location"]) == (302, table), "to be reloaded without harm"
    assert "All 2 kits of this tray are in doubt" in desk.get(table).content.decode()
    again = desk.get(table).content.decode()
    assert "STOP" not in again
    assert again.count("<span>in doubt</span>") == 2, "the latest packs say which are in doubt"
    sent_twice = desk.post(check, wrong, follow=True).content.decode()
    assert "All 2 kits of this tray are in doubt" in sent_twice
    assert (PackCheck.objects.count(), KitDoubt.objects.count()) == (1, 1)


def test_a_right_opened_pack_is_written_once(signed_in: SignIn) -> None:
    desk = signed_in(cast.PHONE_DESK)
    batch, ((one, mine),) = a_packed_batch(desk, 1)
    check = reverse("outreach:pack-opened", args=[batch.pk])
    found = desk.post(check, {"code": mine, "letter": one}, follow=True).content.decode()
    assert "Right. Seal it again." in found
    desk.post(check, {"code": mine, "letter": one})
    assert PackCheck.objects.count() == 1


def test_a_contractors_file_counts_one_as_one(signed_in: SignIn) -> None:
    desk = signed_in(cast.PHONE_DESK)
    batch = a_printed_batch(3)
    pairs = pairs_of(batch)

    def sent(content: bytes) -> str:
        file = SimpleUploadedFile("house.csv", content, "text/csv")
        return desk.post(reverse("outreach:manifests"), {"file": file}, follow=True).content.decode()

    first = sent(a_manifest(batch, pairs[:1]))
    assert "1 right pair was taken. 0 lines were refused. 0 were known before." in first
    second = sent(a_manifest(batch, pairs[:2]))
    assert "1 right pair was taken. 0 lines were refused. 1 was known before." in second
    with acting(cast.member(cast.ADMINISTRATOR)):
        ScreeningPolicy.objects.update(pairs_proven=False)
    batch_dispatch(by=cast.member(cast.PHONE_DESK), batch=batch)
    kit_reported_lost(by=cast.member(cast.PHONE_DESK), kit=Kit.objects.get(serial=pairs[2][1]))
    stranger = Kit.objects.filter(round__isnull=True).order_by("serial").last()
    in_doubt = sent(a_manifest(batch, [(pairs[2][0], stranger.serial)], tray=1))
    assert "1 kit is in doubt" in in_doubt


@pytest.mark.browser
def test_after_a_wrong_opened_pack_the_next_scan_is_not_lost(browser: Browser, server: str) -> None:
    batch = a_printed_batch(2)
    pairs = pairs_of(batch)
    by = cast.member(cast.PHONE_DESK)
    for token, serial in pairs:
        pack_scan(by=by, batch=batch, round_id=round_of_token(token), letter=token, raw=serial)
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        page.goto(f"{server}{reverse('outreach:pack', args=[batch.pk])}")
        page.get_by_label("Letter of the opened pack").focus()
        scanner(page, pairs[0][0])
        expect(page.get_by_label("Kit found in it")).to_be_focused()
        scanner(page, pairs[1][1])
        expect(page.locator(".notice.said")).to_contain_text("STOP: another kit than was packed.")
        expect(page.get_by_label("Letter", exact=True)).to_be_focused()
        expect(page.locator("[role=status]", has_text="STOP: another kit")).to_have_count(1)
        page.reload()
        expect(page.locator(".notice.said")).to_have_count(0)
    assert KitDoubt.objects.count() == 1


@pytest.mark.browser
@pytest.mark.parametrize("width", [640, 1040, 1280])
def test_a_long_name_of_a_file_stays_in_its_column(browser: Browser, server: str, width: int) -> None:
    batch = a_printed_batch(1)
    name = "w" * 116 + ".csv"
    manifest_take(by=cast.member(cast.PHONE_DESK), name=name, content=a_manifest(batch, pairs_of(batch)))
    with at_desk(browser, server, cast.PHONE_DESK) as page:
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(f"{server}{reverse('outreach:manifests')}")
        expect(page.get_by_role("rowheader", name=name)).to_be_visible()
        table, room = page.locator("table").first.bounding_box(), page.locator("main").bounding_box()
        form = page.get_by_role("heading", name="Take a file").bounding_box()
        assert table
        assert form
        assert room
        right = table["x"] + table["width"]
        assert right <= form["x"] or table["y"] + table["height"] <= form["y"], "not over the form"
        assert right <= room["x"] + room["width"] or width < 960, "narrow windows scroll within the table"
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize("written_before", [True, False])
def test_a_letter_that_cannot_be_written_is_named_before_its_batch_goes(
    signed_in: SignIn, written_before: bool
) -> None:
    desk = cast.member(cast.PHONE_DESK)
    kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=3)
    fine = factories.a_person()
    long = factories.a_person(given_names="Marra " * 15, family_name="Tolvane" * 12)
    batch = batch_open(by=desk, size=2)
    if written_before:
        letters_plan(by=desk)
        letters_freeze(by=desk)
    assert Letter.objects.filter(person=long, state="held").exists() is written_before
    client = signed_in(cast.PHONE_DESK)
    part = reverse("outreach:batch-unwritten", args=[batch.pk])
    assert part in client.get(reverse("screening:batch", args=[batch.pk])).text
    told = client.get(part).text
    assert "1 letter cannot be written." in told
    assert str(long) in told
    assert "A text is too long for its box on the paper." in told
    assert reverse("screening:person", args=[long.pk]) in told
    assert ("Decide in Today&#x27;s mail" in told or "Decide in Today's mail" in told) is written_before
    assert AccessEntry.objects.filter(place="outreach:batch-unwritten", person_id=long.pk).count() == 1
    assert str(fine) not in told
    preview = reverse("outreach:batch-preview", args=[batch.pk])
    said = client.get(preview)
    assert said["Content-Type"].startswith("text/html")
    assert "1 letter cannot be written." in said.text
    assert "The other letter, as it will be printed" in said.text
    assert client.get(preview, {"others": "1"}).content.startswith(b"%PDF")
    assert Letter.objects.filter(round__batch=batch).count() == (2 if written_before else 0)


@pytest.mark.usefixtures("region")
def test_where_every_letter_can_be_written_that_is_said(signed_in: SignIn) -> None:
    batch = a_printed_batch(2)
    told = signed_in(cast.MANAGER).get(reverse("outreach:batch-unwritten", args=[batch.pk])).text
    assert "Every letter looked at can be written." in told
