"""What the bench says: what was undone, cards by one name, no alarm, and counts that can be mended."""

import re
from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from screening.models import Delivery, IntakeSession, Return, Scan
from screening.services.intake import bench_scan, return_solve, session_close
from screening.services.intake_answers import BENCH_SENTENCES, ScanAnswer
from screening.services.intake_cards import CARDS, heard_in_words, understand
from screening.services.intake_lists import racks_of_set_asides
from screening.views.post_face import face_as_json, face_of
from tests import cast
from tests.screening.intake import bench


@pytest.fixture
def session(region: object) -> IntakeSession:
    """A session of the front desk."""
    return bench.a_session()


def hear(session: IntakeSession, raw: str, **more: object) -> ScanAnswer:
    """One thing scanned or keyed in the page's field."""
    latest = Scan.objects.filter(session=session).order_by("-sequence").first()
    number = latest.sequence + 1 if latest else 1
    by = cast.member(cast.FRONT_DESK)
    return bench_scan(by=by, session=session, sequence=number, raw=raw, window="w", **more)


def test_undo_says_whose_kit_which_verdict_and_where_it_lies(session: IntakeSession) -> None:
    kit = bench.kit_out()
    hear(session, kit.serial, day=bench.day_of(2))
    undone = hear(session, "RB-UNDO")
    assert str(undone.sentence) == (
        "Undone: accepted, tray 1, place 1. Take this kit out of there; scan it again when it is clear."
    )
    assert (undone.serial, undone.name) == (kit.serial, str(kit.round.person))


def test_undo_names_a_scan_that_was_no_kit_of_ours_and_a_kit_only_shown(session: IntakeSession) -> None:
    hear(session, "5901234123457")
    assert "“5901234123457” (not ours)" in str(hear(session, "RB-UNDO").sentence)
    kit = bench.kit_out()
    hear(session, kit.serial)
    dropped = hear(session, "UNDO", pending=kit.serial)
    assert (dropped.outcome, dropped.serial, dropped.name) == ("dropped", kit.serial, str(kit.round.person))


def test_every_card_a_message_names_has_a_title_that_begins_with_that_name() -> None:
    titles = [str(card.label) for card in CARDS.values()]
    for words in BENCH_SENTENCES.values():
        for name in re.findall(r"\b(?:scan|card) ((?:[A-Z]{2,} ?)+)", str(words)):
            assert any(title.startswith(f"{name.strip()} –") for title in titles), name


def test_a_cards_name_may_be_typed_but_clears_no_alarm(session: IntakeSession) -> None:
    typed = hear(session, "acknowledge", typed=True)
    assert (typed.outcome, typed.counts.not_ours) == ("ask_again", 0)
    assert "Scan the card" in str(typed.sentence)
    assert hear(session, bench.kit_of_the_dead().serial).needs_acknowledge
    assert hear(session, "ACKNOWLEDGE", typed=True).needs_acknowledge
    assert hear(session, "RB-ACKNOWLEDGE").outcome == "acknowledged"
    assert understand("no date") == understand("RB-NODATE")


def test_acknowledge_without_an_alarm_says_so_and_leaves_the_kit_waiting(session: IntakeSession) -> None:
    kit = bench.kit_out()
    hear(session, kit.serial)
    answer = hear(session, "RB-ACKNOWLEDGE", pending=kit.serial)
    assert (face_of(answer).look.word, answer.waiting_for_day) == ("No alarm", True)
    assert hear(session, bench.day_of(2), pending=kit.serial).outcome == "accepted"


@pytest.mark.parametrize(
    ("raw", "words"),
    [(".", "NO DATE – on the label"), ("+", "SAME DAY – as the last kit"), ("19", "day 19"),
     ("RB-UNDO", "UNDO – the last kit"), ("TK1", "TK1")],
)  # fmt: skip
def test_a_list_shows_what_was_heard_in_words(session: IntakeSession, raw: str, words: str) -> None:
    assert str(heard_in_words(raw)) == words
    if raw == ".":
        answer = hear(session, raw)
        assert str(face_of(answer).lines[0].heard) == face_as_json(answer)["heard"] == words


def test_the_map_shows_where_each_set_aside_lies_and_which_places_are_free_again(
    session: IntakeSession, signed_in: Callable[[str], Client]
) -> None:
    kits = [bench.kit_out() for _ in range(3)]
    for kit in kits:
        bench.scan(session, kit.serial, "", "no_name")
    backs = [Return.objects.get(kit=kit) for kit in kits]
    return_solve(by=cast.member(cast.PHONE_DESK), return_=backs[1], answer="unsuitable")
    (rack,) = racks_of_set_asides()
    assert (rack.tray.label, rack.held) == ("A", 2)
    assert [(slot.position, slot.back) for slot in rack.slots] == [(1, backs[0]), (2, None), (3, backs[2])]
    page = signed_in(cast.PHONE_DESK).get(reverse("screening:set-asides")).content.decode()
    assert f'title="{kits[2].serial}">A3</a>' in page


def test_a_count_that_differs_can_be_counted_again_and_gone_on_with(
    session: IntakeSession, signed_in: Callable[[str], Client]
) -> None:
    delivery: Delivery = session.delivery
    hear(session, bench.kit_out().serial, day=bench.day_of(2))
    session_close(by=cast.member(cast.FRONT_DESK), session=session, hand_count=3)
    client, where = signed_in(cast.FRONT_DESK), reverse("screening:post-delivery", args=[delivery.pk])
    page = client.get(where).content.decode()
    assert "Scan more of it" in page
    assert "Save the count" in page
    assert client.post(where, {"do": "count", "hand_count": "2"}).status_code == 302
    delivery.refresh_from_db()
    assert (delivery.hand_count, delivery.settled_at) == (2, None)
    assert client.post(reverse("screening:post-session"), {"delivery": delivery.pk}).status_code == 302
