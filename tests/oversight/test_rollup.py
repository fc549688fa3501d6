"""Roll-ups are what the ledgers say, at every step: by hand, under random events, and after damage."""

import re
from datetime import date, timedelta

import pytest
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from oversight.models import Delta, Fact, Fold, InvitedCell, ReleasedCell
from oversight.rollup.facts import facts_sql
from oversight.services.rollup import catch_up, differences, fold, fold_all, rebuild, waiting
from oversight.walls import MANY, ONE, RESOLVE
from tests.oversight import events, worked

pytestmark = pytest.mark.usefixtures("region")
SENT = date(2026, 3, 2)


def total(model: type, name: str) -> int:
    return sum(model.objects.values_list(name, flat=True))


def test_a_fold_adds_what_changed_and_nothing_else() -> None:
    rebuild()
    first = worked.invited(SENT)
    fold_all()
    assert (total(InvitedCell, "n"), total(InvitedCell, "in_90"), total(InvitedCell, "at_kit_out")) == (
        1,
        0,
        1,
    )
    worked.released(worked.came_back(first, SENT + timedelta(days=10)), SENT + timedelta(days=12), high=True)
    fold_all()
    assert (total(InvitedCell, "n"), total(InvitedCell, "in_90"), total(InvitedCell, "at_kit_out")) == (
        1,
        1,
        0,
    )
    assert (total(InvitedCell, "at_to_reach"), total(ReleasedCell, "high"), total(ReleasedCell, "ge_80")) == (
        1,
        1,
        1,
    )
    assert (waiting(), fold().marks, differences()) == (0, 0, [])


def test_deltas_are_signed_and_say_why() -> None:
    rebuild()
    back = worked.came_back(worked.invited(SENT), SENT + timedelta(days=10))
    fold_all()
    worked.released(back, SENT + timedelta(days=12))
    fold_all()
    last = Fold.objects.order_by("-pk")[0]
    assert sorted(last.deltas.values_list("sign", "place", "cause")) == [
        (-1, "laboratory", "below"), (1, "below", "below"),
    ]  # fmt: skip
    assert last.changed == 1


def test_a_correction_takes_out_what_it_puts_in_elsewhere() -> None:
    rebuild()
    one = worked.invited(SENT, sex="female")
    fold_all()
    type(one).objects.filter(pk=one.pk).update(sex_at_invitation="male")
    fold_all()
    cells = {cell.sex: cell.n for cell in InvitedCell.objects.all()}
    assert cells == {"female": 0, "male": 1}
    assert differences() == []
    assert set(
        Delta.objects.filter(fold__in=Fold.objects.order_by("-pk")[:1]).values_list("cause", flat=True)
    ) == {"corrected"}


def test_what_the_first_page_counts_is_whole_without_a_worker() -> None:
    worked.invited(SENT)
    catch_up()
    worked.invited(SENT)
    catch_up()
    assert (total(InvitedCell, "n"), differences()) == (2, [])


def test_reconciliation_finds_a_cell_and_a_fact_that_were_altered() -> None:
    worked.invited(SENT)
    catch_up()
    with connection.cursor() as cursor:
        cursor.execute("UPDATE oversight_invitedcell SET n = n + 1")
        cursor.execute("UPDATE oversight_fact SET place = 'below'")
    assert {one.table: one.rows for one in differences()} == {"oversight_fact": 1, "oversight_invitedcell": 2}
    rebuild()
    assert differences() == []


# The random stream: any of these may happen to anybody, in any order; what a state does not allow is left alone.
STREAM = st.lists(
    st.tuples(st.sampled_from(events.NAMES), st.integers(0, 7), st.integers(0, 40)), max_size=25
)
COMMON = {
    "deadline": None,
    "suppress_health_check": [
        HealthCheck.function_scoped_fixture,
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
    ],
}


@settings(max_examples=12, **COMMON)
@given(stream=STREAM)
def test_rollup_is_recomputation_under_random_events(stream: list[tuple[str, int, int]]) -> None:
    holds_under(stream)


@pytest.mark.campaign
@pytest.mark.timeout(3_600)
@settings(max_examples=1500, **COMMON)
@given(
    stream=st.lists(
        st.tuples(st.sampled_from(events.NAMES), st.integers(0, 11), st.integers(0, 60)), max_size=80
    )
)
def test_rollup_is_recomputation_under_long_random_streams(stream: list[tuple[str, int, int]]) -> None:
    holds_under(stream)


def holds_under(stream: list[tuple[str, int, int]]) -> None:
    """Play a stream, folding now and then, and compare with a full recount."""
    with events.world() as world:
        rebuild()
        for step, (name, who, days) in enumerate(stream):
            world.happen(name, who, days)
            if step % 5 == 4:
                fold(limit=3)
        fold_all()
        assert differences() == []


STEADY = {
    "results_run": "a result keeps its run",
    "results_analyser": "an analyser keeps its laboratory",
    "screening_kitmodel": "a kit model changes by a new version, and a result keeps the one it was measured by",
    "screening_screeningpolicy": "a protocol changes by a new one, and a round keeps the one it was invited under",
}
"""Tables that facts read and that leave no marks, each with why not."""


def test_every_table_that_facts_are_made_from_leaves_marks() -> None:
    read = set(re.findall(r"(?:FROM|JOIN)\s+((?:screening|results|outreach)_\w+)", facts_sql()))
    marked = {table for table, _kind, _what in MANY} | {row[0] for row in ONE}
    assert {table for table in read if table not in marked and f"{table}move" not in marked} == set(STEADY)
    assert {kind for _t, kind, _w in MANY} | {row[3] for row in ONE} == set(RESOLVE)


def test_the_random_stream_reaches_what_it_is_meant_to_try() -> None:
    course = ("invite", "back", "below", "high", "letter", "spoken with", "examined", "harmed", "corrected")
    with events.world() as world:
        rebuild()
        for who in range(8):
            for name in course if who % 2 else [one for one in course if one != "below"]:
                world.happen(name, who, 3)
                fold_all()
        world.happen("withdrawn", 1, 3)
        fold_all()
        places = set(Delta.objects.values_list("place", flat=True))
        counted = Fact.objects
        assert {"kit_out", "laboratory", "below", "to_reach", "to_examine", "to_conclude"} <= places
        assert counted.filter(high=True).count() == 4
        assert counted.filter(harmed__gt=0).exists()
        assert counted.filter(letter_on__isnull=False).exists()
        assert differences() == []
