"""The pages of call and recall at 200 % zoom, light and dark: nothing cut off, axe clean."""

import os
from datetime import date, timedelta
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import Browser

from outreach.services.packs import manifest_take, round_of_token
from screening.models import Area, Lot
from screening.services.batches import batch_open, kits_stock
from screening.services.corrections import person_correct
from screening.services.deaths import death_ask
from screening.services.doubts import doubt_range
from screening.services.duplicates import duplicates_find, duplicates_open
from screening.services.exclusions import exclusion_record
from screening.services.pace import pace_set
from screening.services.packing import pack_scan
from screening.services.protocols import protocol_effect, protocol_propose
from staff.services.calendars import no_post_add
from tests import cast, factories
from tests.looks import on_the_list
from tests.screening.intake.desk_browser import SCHEMES, signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean
from tests.screening.recall.packing import a_manifest, a_printed_batch, pairs_of

pytestmark = pytest.mark.browser
TODAY = date(2026, 6, 17)


def seen_pages() -> list[tuple[str, str]]:
    """Something on every page: (who opens it, its address)."""
    by, other = cast.member(cast.PHONE_DESK), cast.member(cast.ADMINISTRATOR)
    home = {"family_name": "Tolvane", "address_1": "1 Mill Lane"}
    one = factories.a_person(**home, given_names="Marra", name_key="tolvane marra")
    factories.a_person(**home, given_names="Wenna", name_key="tolvane wenna")
    duplicates_find(by=by)
    sick = factories.a_person(birth_date=date(1960, 5, 5))
    person_correct(by=by, person=sick, facts={"phone": "020 555-0199"}, note="called")
    exclusion_record(by=by, person=sick, kind="colectomy", note="told on the phone, doctor asked")
    death_ask(
        by=by,
        person=factories.a_person(birth_date=date(1955, 1, 1)),
        kind="died",
        source="son rang",
        day=TODAY,
    )
    kits_stock(by=other, lot=Lot.objects.get(code="KL002"), first_number=1, count=4)
    factories.a_person(birth_date=date(1958, 8, 8), next_due_on=TODAY - timedelta(days=400))
    batch = batch_open(by=by, size=1)
    packed = a_printed_batch(3)
    (letter, kit), (_other, theirs) = pairs_of(packed)[:2]
    for serial in (theirs, kit):
        pack_scan(by=by, batch=packed, round_id=round_of_token(letter), letter=letter, raw=serial)
    manifest_take(by=by, name="house.csv", content=a_manifest(packed, pairs_of(packed)))
    doubt_range(by=by, first=theirs, last=theirs, why="two packs open in the tray", posted=False)
    pace_set(by=by, area=Area.objects.get(code="QUI"), per_day=40, since=TODAY, note="one list lost")
    no_post_add(by=other, day=TODAY, name="strike of the post")
    draft = protocol_propose(
        by=other, name="Protocol 2", valid_from=date(2026, 9, 1), reason="the board decided",
        values={"age_from": 45, "ramp_days": 365},
    )  # fmt: skip
    protocol_effect(by=other, protocol=draft)
    pair = duplicates_open().get()
    on_the_list(cast.PHONE_DESK, sick.pk, one.pk)
    stranger = factories.a_person(birth_date=date(1963, 2, 2))
    return [
        (cast.PHONE_DESK, reverse("screening:person", args=[sick.pk])),
        (cast.PHONE_DESK, reverse("screening:person", args=[one.pk])),
        (cast.PHONE_DESK, reverse("screening:person", args=[stranger.pk])),
        (cast.PHONE_DESK, reverse("screening:duplicates")),
        (cast.PHONE_DESK, reverse("screening:duplicate", args=[pair.pk])),
        (cast.COORDINATOR, reverse("screening:second-look")),
        (cast.MANAGER, reverse("screening:batches")),
        (cast.MANAGER, reverse("screening:batch", args=[batch.pk])),
        (cast.PHONE_DESK, reverse("outreach:pack", args=[packed.pk])),
        (cast.PHONE_DESK, reverse("outreach:manifests")),
        (cast.PHONE_DESK, reverse("screening:doubts")),
        (cast.MANAGER, reverse("screening:protocols")),
        (cast.MANAGER, reverse("screening:protocol", args=[draft.pk])),
        (cast.ADMINISTRATOR, reverse("screening:register")),
        (cast.ADMINISTRATOR, reverse("staff:calendar") + "?site=QHC"),
        (cast.AUDITOR, reverse("screening:journal")),
    ]


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_pages_of_call_and_recall_at_200_percent(browser: Browser, server: str, scheme: str) -> None:
    kept = os.environ.get("ROUNDBOOK_PICTURES", "")
    for n, (who, address) in enumerate(seen_pages()):
        page = signed_in_page(browser, server, who, scheme=scheme, size=DOUBLED)
        page.goto(f"{server}{address}")
        page.evaluate("for (const d of document.querySelectorAll('main details')) d.open = true")
        is_clean(page)
        if kept:
            page.set_viewport_size({"width": 1280, "height": 900})
            page.screenshot(path=str(Path(kept) / f"{n:02d}-{scheme}.png"), full_page=True)
        page.context.close()
