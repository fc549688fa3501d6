"""The pages of the register and of the batches: what each role may do, and what is answered to bad input."""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from screening.models import Area, Batch, Lot, Person, RegisterLoad
from screening.services.batches import batch_open, kit_reported_lost, kits_stock
from screening.services.register import register_apply, register_stage
from screening.views.register import spreadsheet_safe
from staff import clock
from staff.models import AccessEntry
from tests import cast, factories

pytestmark = pytest.mark.usefixtures("region")
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]


def uploaded(
    client: Client, name: str = "register_500.csv", content: bytes | None = None, **data: str
) -> object:
    body = (FIXTURES / name).read_bytes() if content is None else content
    file = SimpleUploadedFile(name, body, content_type="text/csv")
    return client.post(reverse("screening:register"), {"file": file, **data}, follow=True)


def test_the_administrator_loads_looks_and_applies(signed_in: SignIn) -> None:
    client = signed_in(cast.ADMINISTRATOR)
    page = uploaded(client)
    load = RegisterLoad.objects.get()
    assert page.redirect_chain == [(reverse("screening:register-load", args=[load.pk]), 302)]
    assert "What applying would do" in page.text
    assert not Person.objects.exists()
    done = client.post(reverse("screening:register-apply", args=[load.pk]), follow=True)
    assert "500 people are new, 0 changed, 0 stayed as they were." in done.text
    again = uploaded(client)
    assert "This very file was applied before" in again.text
    assert "register_500.csv" in client.get(reverse("screening:register")).text


def test_a_preview_shows_ten_changes_and_journals_the_people_on_it(signed_in: SignIn) -> None:
    by = cast.member(cast.ADMINISTRATOR)
    content = (FIXTURES / "register_500.csv").read_bytes()
    register_apply(by=by, load=register_stage(by=by, content=content, file_name="a.csv"))
    changed = content.replace(b",en,", b",ar,", 30)
    client = signed_in(cast.ADMINISTRATOR)
    page = uploaded(client, content=changed)
    assert "Held." in page.text
    assert "Somebody else than you" in page.text
    assert page.text.count("<strong>ar</strong>") == 10
    assert "10 of 30 people shown" in page.text
    assert AccessEntry.objects.filter(place="screening:register-load").count() == 10
    load = RegisterLoad.objects.get(status="held")
    alone = client.post(reverse("screening:register-apply", args=[load.pk]), {"release": "1"}, follow=True)
    assert "Somebody else than the person who loaded this file" in alone.text
    assert (
        "This file is held"
        in client.post(reverse("screening:register-apply", args=[load.pk]), follow=True).text
    )
    manager = signed_in(cast.MANAGER)
    assert "Release and apply" in manager.get(reverse("screening:register-load", args=[load.pk])).text
    done = manager.post(reverse("screening:register-apply", args=[load.pk]), {"release": "1"}, follow=True)
    assert "30 changed" in done.text
    assert "30 of 30 people shown" in done.text


def test_of_a_file_that_was_held_and_released_the_hold_and_the_counts_stay_to_be_read(
    signed_in: SignIn,
) -> None:
    by = cast.member(cast.ADMINISTRATOR)
    content = (FIXTURES / "register_500.csv").read_bytes()
    register_apply(by=by, load=register_stage(by=by, content=content, file_name="a.csv"))
    head, *lines = content.decode().splitlines()
    died, left = (head.split(",").index(name) for name in ("deceased_on", "left_area_on"))
    living = [n for n, line in enumerate(lines) if line.split(",")[died] == line.split(",")[left] == ""]
    for n, column, day in [*((n, died, "2026-06-01") for n in living[:12]), (living[12], left, "2026-12-01")]:
        cells = lines[n].split(",")
        cells[column] = day
        lines[n] = ",".join(cells)
    changed = "\n".join([head, *lines[:-2]]).replace(",en,", ",ar,", 60).encode()
    uploaded(signed_in(cast.ADMINISTRATOR), content=changed, is_full="on")
    load = RegisterLoad.objects.get(status="held")
    at = reverse("screening:register-load", args=[load.pk])
    manager = signed_in(cast.MANAGER)
    told = [
        "12 people died",
        "1 person leaves or has left the area.",
        "2 people of the register are not in this file",
    ]
    assert [words for words in told if words not in manager.get(at).text] == []
    manager.post(reverse("screening:register-apply", args=[load.pk]), {"release": "1"})
    page = manager.get(at).text
    load.refresh_from_db()
    assert load.status == "applied"
    assert "It was held: It would change" in page
    assert f"{cast.member(cast.MANAGER)} looked at it and released it" in page
    assert f"{by} had loaded it" in page
    assert [words for words in told[:2] if words not in page] == []
    assert "Field" in page


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("register_bad_header.csv", "Missing: birth_date. Not known: &#x27;born&#x27;."),
        ("register_bad_encoding.csv", "byte 0xE9 on line 3 does not belong there"),
    ],
)
def test_a_file_that_cannot_be_read_is_answered_on_the_page(signed_in: SignIn, name: str, words: str) -> None:
    page = uploaded(signed_in(cast.MANAGER), name)
    assert page.status_code == 422
    assert words in page.text


def test_refused_lines_are_shown_and_come_back_as_a_safe_file(signed_in: SignIn) -> None:
    client = signed_in(cast.MANAGER)
    page = uploaded(client, "register_bad_rows.csv")
    load = RegisterLoad.objects.get()
    assert "There is no area “XYZ”" in page.text
    file = client.get(reverse("screening:register-refused", args=[load.pk]))
    lines = file.content.decode("utf-8-sig").splitlines()
    assert file["Content-Disposition"] == f'attachment; filename="refused-lines-{load.pk}.csv"'
    assert lines[0] == "line,code,reason,as it came"
    assert len(lines) == load.refused + 1
    thrown = client.post(reverse("screening:register-discard", args=[load.pk]), follow=True)
    assert "Nothing of it was applied" in thrown.text


def test_a_file_that_was_thrown_away_is_not_said_to_have_changed_anybody(signed_in: SignIn) -> None:
    client = signed_in(cast.MANAGER)
    uploaded(client)
    load = RegisterLoad.objects.get()
    client.post(reverse("screening:register-discard", args=[load.pk]))
    page = client.get(reverse("screening:register-load", args=[load.pk])).text
    assert "thrown away: nothing of it was written" in page
    assert "What applying it would have done" in page
    assert "What became of its lines" not in page
    listed = client.get(reverse("screening:register")).text
    assert "nothing of it was written" not in listed
    assert "thrown away" in listed
    assert listed.count('<td class="number">–</td>') == 3
    assert listed.count('<td class="number">500</td>') == 1, "its lines only"


def test_pages_of_a_list_are_named_so_that_any_order_is_right(signed_in: SignIn) -> None:
    by = cast.member(cast.ADMINISTRATOR)
    RegisterLoad.objects.bulk_create(
        RegisterLoad(file_name=f"{n}.csv", sha256=str(n), status="discarded", staged_by=by, staged_at=clock.now())
        for n in range(45)
    )  # fmt: skip
    client = signed_in(cast.ADMINISTRATOR)
    first, middle, last = (client.get(reverse("screening:register"), {"page": n}).text for n in (1, 2, 3))
    assert ["Next page" in page for page in (first, middle, last)] == [True, True, False]
    assert ["Previous page" in page for page in (first, middle, last)] == [False, True, True]
    assert "Later" not in middle
    assert "Earlier" not in middle


# Source: common practice against formulas in exported tables.
@pytest.mark.parametrize("cell", ["=1+1", "+44", "-2", "@x", "\tx", "\rx"])
def test_a_cell_that_looks_like_a_formula_is_made_text(cell: str) -> None:
    assert spreadsheet_safe(cell) == f"'{cell}"
    assert spreadsheet_safe(f"a{cell}") == f"a{cell}"


def test_no_file_and_an_empty_file_are_answered(signed_in: SignIn) -> None:
    client = signed_in(cast.MANAGER)
    assert client.post(reverse("screening:register"), {}).status_code == 422
    assert "The file is empty" in uploaded(client, content=b"").text


def people_due(count: int) -> None:
    for n in range(count):
        factories.a_person(next_due_on=TODAY - timedelta(days=n), area=Area.objects.get(code="QUI"))


def test_the_phone_desk_opens_a_batch_and_posts_it(signed_in: SignIn) -> None:
    people_due(3)
    kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    client = signed_in(cast.PHONE_DESK)
    page = client.get(reverse("screening:batches"))
    assert "<b>3</b><span>people are due today</span>" in page.text
    assert "<b>5</b><span>kits can be sent today</span>" in page.text
    opened = client.post(reverse("screening:batches"), {"size": "10"}, follow=True)
    assert "Batch 260617-1 is open with 3 people." in opened.text
    assert "10 people were asked for; 3 were due." in opened.text
    batch = Batch.objects.get()
    posted = client.post(reverse("screening:batch-dispatch", args=[batch.pk]), follow=True)
    assert "3 kits were handed to the post." in posted.text
    assert "Hand to the post" not in posted.text


def test_too_few_kits_is_said_on_the_page_and_nothing_is_opened(signed_in: SignIn) -> None:
    people_due(3)
    page = signed_in(cast.MANAGER).post(reverse("screening:batches"), {"size": "3"})
    assert page.status_code == 422
    assert "3 kits are missing" in page.text
    assert not Batch.objects.exists()


@pytest.mark.parametrize("size", ["", "0", "many", "999999"])
def test_a_batch_of_an_impossible_size_is_answered(signed_in: SignIn, size: str) -> None:
    assert signed_in(cast.MANAGER).post(reverse("screening:batches"), {"size": size}).status_code == 422


def test_the_administrator_looks_at_batches_and_opens_none(signed_in: SignIn) -> None:
    people_due(2)
    kits_stock(by=cast.member(cast.ADMINISTRATOR), lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    client = signed_in(cast.ADMINISTRATOR)
    assert "You can look here." in client.post(reverse("screening:batches"), {"size": "2"}).text
    batch = batch_open(by=cast.member(cast.MANAGER), size=1)
    assert client.get(reverse("screening:batch", args=[batch.pk])).status_code == 200
    assert client.post(reverse("screening:batch-dispatch", args=[batch.pk])).status_code == 403


def test_replacements_are_sent_from_the_page(signed_in: SignIn) -> None:
    by = cast.member(cast.MANAGER)
    kits_stock(by=by, lot=Lot.objects.get(code="KL002"), first_number=1, count=5)
    kit_reported_lost(by=by, kit=factories.a_round().kits.get())
    client = signed_in(cast.PHONE_DESK)
    assert "Send replacement kits" in client.get(reverse("screening:batches")).text
    assert "1 replacement kit was handed" in client.post(reverse("screening:replacements"), follow=True).text


@pytest.mark.parametrize(
    "role", ["front_desk", "phone_desk", "laboratory", "coordinator", "clinician", "auditor"]
)
def test_the_register_is_closed_to(signed_in: SignIn, role: str) -> None:
    client = signed_in(cast.BY_ROLE[role])
    assert client.get(reverse("screening:register")).status_code == 403
    assert uploaded(client).status_code == 403
    assert not RegisterLoad.objects.exists()
