"""The pages of the post and of the set-asides, through the test client."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
import zxingcpp
from django.test import Client
from django.urls import reverse

from screening.models import Delivery, IntakeSession, Return, Scan
from screening.serials import serial_make
from screening.services.intake_cards import CARDS
from staff import clock
from staff.models import AccessEntry, Site
from tests import cast
from tests.screening.intake import bench

HTMX = {"headers": {"HX-Request": "true"}}


@pytest.fixture
def front_desk(signed_in: Callable[[str], Client]) -> Client:
    """The front desk, signed in."""
    return signed_in(cast.FRONT_DESK)


def scan(
    client: Client, session: IntakeSession, raw: str, *, pending: str = "", htmx: bool = True, **more: str
) -> str:
    """One scan as the page posts it; the answer's HTML."""
    latest = Scan.objects.filter(session=session).order_by("-sequence").first()
    values = {"raw": raw, "pending": pending, "sequence": str(latest.sequence + 1 if latest else 1)} | more
    response = client.post(
        reverse("screening:post-scan", args=[session.pk]), values, **(HTMX if htmx else {})
    )
    assert response.status_code == 200
    return response.content.decode()


def test_from_a_delivery_to_a_closed_session(front_desk: Client) -> None:
    page = front_desk.get(reverse("screening:post")).content.decode()
    assert clock.today().isoformat() in page
    values = {
        "site": Site.objects.get(code="QHC").pk, "arrived_on": clock.today().isoformat(), "label": "morning sack",
        "hand_count": "2",
    }  # fmt: skip
    response = front_desk.post(reverse("screening:post"), values, follow=True)
    session = IntakeSession.objects.get()
    assert response.redirect_chain[-1][0] == reverse("screening:post-bench", args=[session.pk])
    kit = bench.kit_out()
    shown = scan(front_desk, session, kit.serial)
    assert str(kit.round.person) in shown
    assert "born 1964" in shown
    assert kit.serial in re.findall(r'name="pending" value="(\w*)"', shown)
    accepted = scan(front_desk, session, bench.day_of(3), pending=kit.serial)
    assert "tray 1, place 1" in accepted
    assert "3 days ago" in accepted
    assert 'data-sound-name="tick"' in accepted
    closed = front_desk.post(
        reverse("screening:post-close", args=[session.pk]), {"hand_count": "2"}, follow=True
    )
    assert "1 envelope fewer was scanned than counted" in closed.content.decode()
    again = front_desk.get(reverse("screening:post-bench", args=[session.pk]), follow=True)
    assert "That session is closed" in again.content.decode()


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"arrived_on": "2026-06-18"}, "cannot arrive after today"),
        (
            {"arrived_on": "2026-06-02"},
            "longer ago than any sample lasts (14 days). Check it: the earliest is 3 June.",
        ),
        ({"arrived_on": "2026-01-05"}, "enter the day on which it was found"),
        ({"arrived_on": "yesterday"}, "valid date"),
        ({"hand_count": "-4"}, "greater than or equal to 0"),
        ({"site": "999"}, "valid choice"),
    ],
)
def test_a_delivery_that_cannot_be_is_answered_on_the_form(
    front_desk: Client, values: dict[str, str], words: str
) -> None:
    given = {"site": str(Site.objects.get(code="QHC").pk), "arrived_on": "2026-06-17", "label": "sack"}
    response = front_desk.post(reverse("screening:post"), given | values)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Delivery.objects.exists()


def test_without_script_the_whole_page_answers(front_desk: Client) -> None:
    session, kit = bench.a_session(), bench.kit_out()
    page = scan(front_desk, session, kit.serial, htmx=False)
    assert "<html" in page
    assert str(kit.round.person) in page
    page = scan(front_desk, session, "", htmx=False, pending=kit.serial, card="RB-SETASIDE-LEAKING")
    assert "The kit leaks" in page
    assert Return.objects.get(kit=kit).state == "set_aside"


def test_a_session_that_was_left_shows_where_it_stopped(front_desk: Client) -> None:
    session, kit = bench.a_session(), bench.kit_out()
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))
    scan(front_desk, session, kit.serial)
    start = front_desk.get(reverse("screening:post")).content.decode()
    assert "Go on where Brisa Tolvemir stopped" in start
    page = front_desk.post(
        reverse("screening:post-session"), {"session": session.pk}, follow=True
    ).content.decode()
    assert str(kit.round.person) in page
    assert kit.serial in re.findall(r'name="pending" value="(\w*)"', page)


def test_an_alarm_stays_on_the_page_until_its_card(front_desk: Client) -> None:
    session = bench.a_session()
    assert 'data-sound-name="fall"' in scan(front_desk, session, bench.unknown())
    assert "Only the card ACKNOWLEDGE clears this" in scan(front_desk, session, "")
    page = front_desk.get(reverse("screening:post-bench", args=[session.pk])).content.decode()
    assert "Only the card ACKNOWLEDGE clears this" in page
    assert "Acknowledged" in scan(front_desk, session, "RB-ACKNOWLEDGE")


@pytest.mark.parametrize("sequence", ["", "x", "-1", "99999999999"])
def test_a_damaged_sequence_never_logs_twice(front_desk: Client, sequence: str) -> None:
    session, kit = bench.a_session(), bench.kit_out()
    for _ in range(2):
        front_desk.post(
            reverse("screening:post-scan", args=[session.pk]),
            {"raw": kit.serial, "sequence": sequence},
            **HTMX,
        )
    assert Scan.objects.count() <= 1


def test_a_session_that_does_not_exist(front_desk: Client) -> None:
    assert front_desk.get(reverse("screening:post-bench", args=[99])).status_code == 404
    assert (
        front_desk.post(reverse("screening:post-scan", args=[99]), {"raw": "x", "sequence": "1"}).status_code
        == 404
    )
    assert front_desk.post(reverse("screening:post-session"), {"session": "99"}).status_code == 404


def test_a_scan_through_the_page_takes_few_queries(
    front_desk: Client, django_assert_max_num_queries: Callable[..., object]
) -> None:
    session, kit = bench.a_session(), bench.kit_out()
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))  # the first one opens its tray
    scan(front_desk, session, bench.kit_out().serial)
    address = reverse("screening:post-scan", args=[session.pk])
    scan(front_desk, session, "RB-UNDO")
    with django_assert_max_num_queries(8):
        front_desk.post(address, {"raw": kit.serial, "sequence": "4"}, **HTMX)
    with django_assert_max_num_queries(8):
        front_desk.post(address, {"raw": bench.day_of(2), "sequence": "5", "pending": kit.serial}, **HTMX)
    assert Return.objects.get(kit=kit).state == "ready"


def test_scans_answer_quickly(front_desk: Client) -> None:
    kits = [bench.kit_out() for _ in range(8)]
    seconds = bench.scans_timed(front_desk, bench.a_session(), kits, bench.day_of(3))
    assert Return.objects.filter(state="ready").count() == 8
    assert seconds[len(seconds) // 2] < 0.5, seconds


def test_every_command_card_can_be_read_back(front_desk: Client) -> None:
    page = front_desk.get(reverse("screening:post-cards")).content.decode()
    for code in CARDS:
        address = reverse("screening:post-card", args=[code])
        assert address in page
    for code in ("RB-ACKNOWLEDGE", "RB-UNDO", "RB-SETASIDE-OTHERNAME", "RB-DAY-31"):
        response = front_desk.get(reverse("screening:post-card", args=[code]))
        assert response["Content-Type"] == "image/svg+xml"
        assert read_back(response.content.decode()) == code
    assert front_desk.get(reverse("screening:post-card", args=["RB-ELSE"])).status_code == 404


def read_back(svg: str) -> str:
    """What a scanner reads from the bars that the SVG draws."""
    width, height = map(int, re.search(r'viewBox="0 0 (\d+) (\d+)"', svg).groups())
    rows = bytearray([255] * width)
    for left, length in re.findall(r"M(\d+) 0h(\d+)", svg):
        rows[int(left) : int(left) + int(length)] = bytes(int(length))
    image = memoryview(bytes(rows) * height).cast("B", shape=[height, width])
    return zxingcpp.read_barcodes(zxingcpp.ImageView(image, width, height, zxingcpp.ImageFormat.Lum))[0].text


def test_set_asides_are_listed_by_date_solved_and_gone(signed_in: Callable[[str], Client]) -> None:
    session, kit = bench.a_session(), bench.kit_out()
    with clock.at(clock.now() - timedelta(days=6)):
        older = bench.kit_out()
        bench.scan(bench.a_session(), older.serial, "", "no_name")
    bench.scan(session, kit.serial, bench.day_of(15))
    client = signed_in(cast.PHONE_DESK)
    page = client.get(reverse("screening:set-asides")).content.decode()
    assert page.index(older.serial) < page.index(kit.serial)
    assert "Overdue" in page
    assert "2 kits are set aside" in page
    assert AccessEntry.objects.filter(place="set-asides").count() == 2
    back = Return.objects.get(kit=kit)
    address = reverse("screening:set-aside", args=[back.pk])
    detail = client.get(address, {"day": bench.day_of(9)}).content.decode()
    assert "9 of 14 days used" in detail
    assert Return.objects.get(pk=back.pk).state == "set_aside"
    assert AccessEntry.objects.filter(place="set-aside").count() == 1
    refused = client.post(address, {"answer": "day_told", "day": "45"})
    assert refused.status_code == 422
    assert "No month has that day" in refused.content.decode()
    solved = client.post(
        address, {"answer": "day_told", "day": bench.day_of(9), "note": "told us"}, follow=True
    )
    text = solved.content.decode()
    assert f"{kit.serial} is ready for the bench" in text
    assert "1 kit is set aside" in text
    assert client.get(address).status_code == 302


@pytest.mark.parametrize(("username", "may"), [(cast.PHONE_DESK, True), (cast.FRONT_DESK, False)])
def test_the_link_to_correct_a_number_is_shown_to_whoever_may_correct_it(
    signed_in: Callable[[str], Client], username: str, may: bool
) -> None:
    kit, client = bench.kit_out(), signed_in(username)
    bench.scan(bench.a_session(), kit.serial, "", "no_name")
    page = client.get(reverse("screening:set-aside", args=[Return.objects.get(kit=kit).pk])).content.decode()
    record = reverse("screening:person", args=[kit.round.person_id])
    assert ("Another number? Correct it in the record" in page) is may
    assert (f'href="{record}"' in page) is may
    assert client.get(record).status_code == (200 if may else 403)


def test_an_empty_list_says_what_was_checked(signed_in: Callable[[str], Client]) -> None:
    bench.scan(bench.a_session(), bench.kit_out().serial, bench.day_of(3))
    page = signed_in(cast.PHONE_DESK).get(reverse("screening:set-asides")).content.decode()
    assert "0 of 1 returns need anything here" in page


@pytest.mark.parametrize("username", [cast.LABORATORY, cast.COORDINATOR, cast.AUDITOR])
def test_others_may_not_scan(signed_in: Callable[[str], Client], username: str) -> None:
    client = signed_in(username)
    session = bench.a_session()
    assert (
        client.post(reverse("screening:post-scan", args=[session.pk]), {"raw": serial_make(1)}).status_code
        == 403
    )
    assert client.get(reverse("screening:set-asides")).status_code == 403
