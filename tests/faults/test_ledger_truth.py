"""Whole programmes played in random order, refused steps included: the books agree afterwards, whatever happened."""

import random

import pytest
from django.db import connection, transaction
from django.db.models import Count

from outreach.models import Letter
from oversight.checks import CHECKS, Severity
from oversight.services.proofs import check_params, check_run
from results.models import Result
from screening.models import Round
from staff import clock
from staff.ledger.proof import projection_differences
from staff.ledger.registry import walls
from tests.faults.play import Play

STEPS = 30
RUNS = [
    pytest.param(range(30), id="short"),
    pytest.param(range(1_000, 2_000), id="long", marks=pytest.mark.campaign),
]


def _books_agree() -> None:
    for ledger in walls:
        checked, odd, ids = projection_differences(ledger)
        assert odd == 0, f"{ledger.machine.name}: {ids} of {checked} differ from their ledger"


def _nobody_is_lost() -> None:
    twice = Round.objects.exclude(state="closed").values("person").annotate(n=Count("pk")).filter(n__gt=1)
    assert list(twice) == [], "somebody is in two open rounds"
    high = Result.objects.filter(side="at_or_above", is_current=True)
    links = high.annotate(n=Count("referral_link")).exclude(n=1)
    assert list(links.values_list("pk", flat=True)) == [], "a result at or above without exactly one referral"


def _everybody_is_written_to() -> None:
    written = Letter.objects.filter(kind="result_more_tests").values("result__sample")
    missing = Result.objects.filter(side="at_or_above", is_current=True).exclude(sample__in=written)
    assert list(missing.values_list("pk", flat=True)) == [], "a result at or above without a letter"


NEGLECT = {("I18", "waiting"), ("I19", "no_kit_sent"), ("I19", "undecided")}
"""Work that is merely late: a random play does not come round to everything in time."""


def _grave_checks_hold() -> None:
    params = check_params(clock.today())
    for check in CHECKS.values():
        if check.severity is Severity.P1 and check.name not in Play.NOT_PLAYED:
            found = check_run(check, params)
            lost = [one for one in found.offenders if (check.name, one["note"]) not in NEGLECT]
            assert lost == [], check.name


@pytest.mark.timeout(7200)
@pytest.mark.usefixtures("region")
@pytest.mark.parametrize("seeds", RUNS)
def test_any_order_of_steps_leaves_the_books_true(seeds: range) -> None:
    done: set[str] = set()
    refused: set[str] = set()
    for seed in seeds:
        with transaction.atomic():
            play = Play(random.Random(seed))  # noqa: S311 - which step comes next, no secret
            try:
                play.go(STEPS)
                play.sweep()
                with play.now():
                    with connection.cursor() as cursor:
                        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
                    _books_agree()
                    _nobody_is_lost()
                    _everybody_is_written_to()
                    _grave_checks_hold()
            except Exception as trouble:
                raise AssertionError(f"seed {seed} after {play.story[-12:]}: {trouble}") from trouble
            done |= play.done
            refused |= play.refused
            transaction.set_rollback(True)
    assert done >= Play.MUST_HAPPEN, Play.MUST_HAPPEN - done
    assert len(refused) > 10, "the play never tried what is refused"
