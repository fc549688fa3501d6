"""The pages and papers around the bench: cards read back, slips, counting, practice, the bench's own answers."""

from collections.abc import Callable
from datetime import timedelta
from io import BytesIO

import pypdfium2
import pytest
import zxingcpp
from django.test import Client
from django.urls import reverse

from screening.models import Delivery, IntakeSession, Return, ScreeningPolicy, Tray
from screening.services import intake
from screening.services.intake_cards import CARDS, Heard, understand
from screening.services.intake_practice import practice_serials
from staff import clock
from staff.acting import acting
from tests import cast, factories
from tests.screening.intake import bench

JSON = {"headers": {"Accept": "application/json"}}


@pytest.fixture
def front_desk(signed_in: Callable[[str], Client]) -> Client:
    """The front desk, signed in."""
    return signed_in(cast.FRONT_DESK)


def codes_in(pdf: bytes) -> set[str]:
    """Every barcode a reader finds on the pages of a PDF, at the resolution of an office printer."""
    document = pypdfium2.PdfDocument(BytesIO(pdf))
    return {
        code.text
        for page in document
        for code in zxingcpp.read_barcodes(page.render(scale=300 / 72).to_pil())
    }


def words_in(pdf: bytes) -> str:
    """The text of a PDF."""
    return " ".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(BytesIO(pdf)))


def scan(client: Client, session: IntakeSession, raw: str, sequence: int, **more: str) -> dict[str, object]:
    """One scan as the page's script sends it."""
    values = {"raw": raw, "sequence": str(sequence)} | more
    return client.post(reverse("screening:post-scan", args=[session.pk]), values, **JSON).json()


def test_every_card_and_tray_label_on_the_printed_sheet_is_read_back(front_desk: Client) -> None:
    response = front_desk.get(reverse("screening:post-cards-pdf"))
    found = codes_in(response.content)
    assert set(CARDS) <= found
    labels = found - set(CARDS)
    assert len(labels) == 24
    assert {understand(code).kind for code in labels} == {Heard.NEW_TRAY}


def test_the_practice_sheet_and_the_slip_are_read_back(front_desk: Client) -> None:
    assert codes_in(front_desk.get(reverse("screening:post-practice-pdf")).content) == set(practice_serials())
    session = bench.a_session()
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))
    slip = front_desk.get(reverse("screening:post-slip", args=[session.pk])).content
    (code,) = codes_in(slip)
    assert "tray 1 · 1" in words_in(slip)
    resumed = front_desk.post(reverse("screening:post-session"), {"slip": code})
    assert resumed["Location"] == reverse("screening:post-bench", args=[session.pk])
    wrong = front_desk.post(reverse("screening:post-session"), {"slip": "RB-UNDO"}, follow=True)
    assert "not the slip of a session" in wrong.content.decode()


def test_a_tray_slip_names_kits_and_no_people(front_desk: Client) -> None:
    kit, session = bench.kit_out(), bench.a_session()
    bench.scan(session, kit.serial, bench.day_of(3))
    words = words_in(front_desk.get(reverse("screening:post-tray", args=[Tray.objects.get().pk])).content)
    assert kit.serial in words
    assert kit.round.person.family_name not in words


def test_the_script_gets_the_same_words_as_the_page(front_desk: Client) -> None:
    kit, session = bench.kit_out(), bench.a_session()
    shown = scan(front_desk, session, kit.serial, 1)
    assert (shown["word"], shown["name"], shown["born"], shown["next"]) == (
        "Compare the name", str(kit.round.person), "born 1964", 2,
    )  # fmt: skip
    accepted = scan(front_desk, session, bench.day_of(3), 2, pending=kit.serial)
    assert (accepted["position"], accepted["day"], accepted["sound"], accepted["alarm"]) == (
        "tray 1, place 1", "14 June, 3 days ago", "tick", False,
    )  # fmt: skip
    assert accepted["counts"] == {"accepted": 1, "set_aside": 0, "not_ours": 0, "minute": 1}
    taken = scan(front_desk, session, bench.kit_out().serial, 2, window="other")
    assert (taken["code"], taken["stored"], taken["next"]) == ("sequence_taken", False, 3)


def test_what_each_day_means_is_on_the_page_before_it_is_keyed(front_desk: Client) -> None:
    session = bench.a_session()
    page = front_desk.get(reverse("screening:post-bench", args=[session.pk])).content.decode()
    assert '<p data-day-of="17">17 June, the same day</p>' in page
    assert '<p data-day-of="18">18 May, 30 days ago</p>' in page
    assert '<p data-day-of="31">31 May, 17 days ago</p>' in page


def test_after_a_lost_network_the_page_gets_a_fresh_token_and_the_standing(front_desk: Client) -> None:
    session, kit = bench.a_session(), bench.kit_out()
    scan(front_desk, session, kit.serial, 1)
    found = front_desk.get(reverse("screening:post-state", args=[session.pk]), **JSON).json()
    assert (len(found["token"]), found["closed"], found["face"]["serial"]) == (64, False, kit.serial)
    offline = scan(
        front_desk, session, bench.day_of(2), 2, pending=kit.serial, offline="yes", claimed="x", window="w"
    )
    assert offline["code"] == "name_check_owed"


def test_a_scan_into_a_closed_session_is_refused_and_stored_nowhere(front_desk: Client) -> None:
    session = bench.a_session()
    intake.session_close(by=cast.member(cast.FRONT_DESK), session=session)
    refused = scan(front_desk, session, bench.kit_out().serial, 1)
    assert (refused["code"], refused["stored"], refused["next"]) == ("session_closed", False, None)
    assert not Return.objects.exists()


def test_the_start_page_lists_what_is_unopened_and_what_stopped(front_desk: Client) -> None:
    factories.a_delivery()
    session = bench.a_session()
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))
    with clock.at(clock.now() + timedelta(hours=6)):
        page = front_desk.get(reverse("screening:post")).content.decode()
    assert "Not yet opened" in page
    assert "Left long" in page
    assert "tray 1, place 1" in page


def test_a_difference_is_looked_for_and_settled_by_somebody_else(
    front_desk: Client, signed_in: Callable[[str], Client]
) -> None:
    session = bench.a_session()
    bench.scan(session, bench.kit_out().serial, bench.day_of(3))
    closed = front_desk.post(
        reverse("screening:post-close", args=[session.pk]), {"hand_count": "3"}, follow=True
    )
    address = reverse("screening:post-delivery", args=[session.delivery_id])
    assert closed.redirect_chain[-1][0] == address
    assert "2 envelopes fewer were scanned" in closed.content.decode()
    mine = front_desk.post(address, {"reason": "adverts"})
    assert (mine.status_code, "Somebody who did not scan" in mine.content.decode()) == (422, True)
    phone_desk = signed_in(cast.PHONE_DESK)
    phone_desk.post(address, {"do": "count", "hand_count": "2"})
    phone_desk.post(address, {"reason": "one advert counted"})
    delivery = Delivery.objects.get(pk=session.delivery_id)
    assert (delivery.hand_count, delivery.settled_by) == (2, cast.member(cast.PHONE_DESK))
    assert "Settled by Junia" in phone_desk.get(address).content.decode()


def test_practice_has_its_own_frame(front_desk: Client) -> None:
    assert "striped" in front_desk.get(reverse("screening:post-practice")).content.decode()
    answer = front_desk.post(reverse("screening:post-session"), {"practice": "yes"}, follow=True)
    page = answer.content.decode()
    assert 'class="intake at-the-bench practice"' in page
    assert "Practice – nothing is logged" in page
    session = IntakeSession.objects.get()
    assert scan(front_desk, session, practice_serials()[0], 1)["name"] == "Bram Ostrelle"
    assert "practice" not in reverse("screening:post-bench", args=[session.pk])


def test_one_desk_alone_opens_its_delivery_with_the_first_scan(front_desk: Client) -> None:
    with acting(cast.member(cast.ADMINISTRATOR)):
        ScreeningPolicy.objects.update(one_desk=True)
    page = front_desk.get(reverse("screening:post")).content.decode()
    assert "It arrived today" in page
    assert "Who opens the envelopes" not in page
    kit = bench.kit_out()
    asked = front_desk.post(reverse("screening:post-first"), {"raw": kit.serial}, follow=True)
    assert ("Say on which day it arrived" in asked.content.decode(), Delivery.objects.count()) == (True, 0)
    bench_page = front_desk.post(
        reverse("screening:post-first"), {"raw": kit.serial, "today": "on"}, follow=True
    ).content.decode()
    assert str(kit.round.person) in bench_page
    assert Delivery.objects.get().arrived_on == clock.today()


def test_a_delivery_opened_by_two_names_both(front_desk: Client) -> None:
    values = {
        "site": factories.a_delivery().site_id, "arrived_on": clock.today().isoformat(), "mode": "hand_in",
        "partner": cast.member(cast.PHONE_DESK).pk,
    }  # fmt: skip
    page = front_desk.post(reverse("screening:post"), values, follow=True).content.decode()
    assert "Brisa Tolvemir scans, Junia" in page
    assert "Handed in at the desk" in page
