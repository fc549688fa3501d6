"""The first page says what waits behind each task, and only behind the tasks of whoever looks."""

import re
from collections.abc import Callable

from django.test import Client

from results.services.authorise import result_release_at_or_above
from screening.services.intake import delivery_record, returns_log_many
from screening.services.intake_sessions import delivery_scanned
from staff import clock
from staff.context import PAGES
from staff.models import Site
from staff.waits import tellers, waits_behind
from tests import cast
from tests import lab_bench as bench

SignIn = Callable[[str], Client]


def said(client: Client) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", client.get("/").content.decode()))


def test_every_teller_speaks_for_a_task_that_exists(region: object) -> None:
    assert set(tellers()) <= {name for name, _label in PAGES}
    assert len(tellers()) == len(PAGES) - 6, (
        "only figures, journal and its age, calendar, programs and post desks have nothing waiting"
    )
    for name in tellers():
        assert all(str(wait.words) for wait in waits_behind(name)), name
    assert waits_behind("oversight:dashboard") == []


def test_the_laboratory_sees_what_it_has_to_do(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    assert "0 vials to measure" in said(client)
    first, second, third = (bench.a_sample() for _ in range(3))
    bench.measured([(first, "900")])
    bench.measured([(second, "5")], end=bench.OUT)
    text = said(client)
    assert "1 vial to measure" in text, f"{third.serial} waits"
    assert "1 result to release" in text
    assert "1 vial is held by controls" in text
    assert "people are due" not in text


def test_a_coordinator_sees_who_is_past_their_day(signed_in: SignIn) -> None:
    sample = bench.a_sample()
    bench.measured([(sample, "900")])
    result_release_at_or_above(by=bench.lead(), sample=sample)
    client = signed_in(cast.COORDINATOR)
    text = said(client)
    assert "1 person on the way" in text
    assert "past its day" not in text
    assert "not proved yet" in text


def test_a_delivery_logged_from_a_list_counts_as_logged(region: object) -> None:
    sample = bench.a_sample()
    by = cast.member(cast.FRONT_DESK)
    sack = delivery_record(by=by, site=Site.objects.order_by("pk")[0], arrived_on=clock.today(), hand_count=1)
    assert delivery_scanned(sack.pk) == 0
    returns_log_many(by=by, delivery=sack, rows=[(sample.serial, "", "")])
    assert delivery_scanned(sack.pk) == 0, "it was logged before, from another delivery"
    assert delivery_scanned(sample.return_of.delivery_id) == 1
