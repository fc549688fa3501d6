"""Names without a blank: no page gets wider than its window, and no table lies over what stands beside it."""

from datetime import date, timedelta
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import Browser, Page

from screening.models import Area, Lot, Person
from screening.services.batches import batch_open, kits_stock
from screening.services.protocols import protocol_propose
from screening.services.register import register_apply, register_stage
from staff.acting import acting
from staff.models import NonWorkingDay, User
from tests import cast, factories
from tests.screening.intake.desk_browser import signed_in_page

pytestmark = pytest.mark.browser
FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
TODAY = date(2026, 6, 17)
LONG = "Quelriberrick" * 9
WIDTHS = [(1280, 900), (390, 844)]
# Tables that reach beyond their box where it does not scroll, and boxes that reach into the column beside them.
SPILLED = """() => [...document.querySelectorAll("main table")].filter((table) => {
    const box = table.closest(".table-wrap"), edge = (box ?? table.parentElement).getBoundingClientRect().right;
    const scrolls = box && ["auto", "scroll"].includes(getComputedStyle(box).overflowX);
    const beside = [...(table.closest(".with-side")?.querySelectorAll("aside") ?? [])].filter((one) => {
        const other = one.getBoundingClientRect(), mine = box?.getBoundingClientRect();
        return mine && mine.right > other.left && mine.left < other.right && mine.bottom > other.top && mine.top < other.bottom;
    });
    return beside.length || (!scrolls && table.getBoundingClientRect().right > edge + 1);
}).map((table) => table.innerText.slice(0, 60))"""


def misfits(page: Page) -> list[object]:
    """What does not fit: the width of a page that scrolls sideways, and tables that lie over something."""
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    spilled = page.evaluate(SPILLED)
    return [(page.url, page.viewport_size, wide, spilled)] if wide > 0 or spilled else []


def long_named() -> list[tuple[str, str]]:
    """Something of a long name on every page: (who opens it, its address)."""
    by, manager = cast.member(cast.ADMINISTRATOR), cast.member(cast.MANAGER)
    with acting(manager):
        User.objects.filter(pk=by.pk).update(full_name=LONG)
        Area.objects.filter(code="QUI").update(name=LONG[:80])
    content = (FIXTURES / "register_500.csv").read_bytes()
    register_apply(by=by, load=register_stage(by=by, content=content, file_name=f"{LONG}.csv"))
    family = Person.objects.earliest("pk").family_name.encode()
    more = content.replace(b"," + family + b",", b"," + LONG.encode() + b",") + LONG.encode() * 2 + b"\n"
    load = register_stage(by=by, content=more, file_name=f"{LONG}.csv")
    assert (load.changed > 0, load.refused) == (True, 1)
    kits_stock(by=by, lot=Lot.objects.get(code="KL002"), first_number=1, count=4)
    with acting(by):
        Person.objects.update(next_due_on=None)
    named = {"family_name": LONG, "given_names": LONG, "area": Area.objects.get(code="QUI")}
    died, _living = (factories.a_person(next_due_on=TODAY - timedelta(days=9), **named) for _ in range(2))
    batch = batch_open(by=by, size=2)
    with acting(by):
        Person.objects.filter(pk=died.pk).update(deceased_on=TODAY)
    draft = protocol_propose(
        by=by,
        name=LONG[:80],
        valid_from=date(2026, 9, 1),
        reason=LONG,
        values={"age_from": 45, "ramp_days": 365},
    )
    with acting(by):
        NonWorkingDay.objects.create(day=TODAY + timedelta(days=30), name=LONG[:80])
    return [
        (cast.MANAGER, reverse("screening:register")),
        (cast.MANAGER, reverse("screening:register-load", args=[load.pk])),
        (cast.MANAGER, reverse("screening:batches")),
        (cast.MANAGER, reverse("screening:batch", args=[batch.pk])),
        (cast.MANAGER, reverse("screening:protocols")),
        (cast.MANAGER, reverse("screening:protocol", args=[draft.pk])),
        (cast.ADMINISTRATOR, reverse("staff:calendar")),
    ]


def test_a_name_without_a_blank_does_not_widen_a_page(browser: Browser, server: str) -> None:
    found: list[object] = []
    addresses = long_named()
    for size in WIDTHS:
        for who, address in addresses:
            page = signed_in_page(browser, server, who, size=size)
            page.goto(f"{server}{address}", wait_until="networkidle")
            found += misfits(page)
            page.context.close()
    assert found == [], "\n".join(map(str, found))
