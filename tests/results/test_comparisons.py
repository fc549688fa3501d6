"""Lot against lot, analyser against analyser, external assessment: the limits at their edges, and their pages."""

import statistics
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from results.comparisons import Finding, Pair, Score, assessment_score, assessment_z, compare
from results.models import AssessmentRound, ComparisonSet
from results.services.watch import assessment_keep, comparison_approve, comparison_enter, comparison_told
from staff import clock
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench

CUTOFF = Decimal(20)
SignIn = Callable[[str], Client]


def pairs(*, shift: str = "1", n: int = 24) -> list[Pair]:
    """Pairs below, near and above 20, the new ones `shift` times the known ones; none so near that it changes sides."""
    known = [Decimal(v) for v in ("5", "8", "12", "22", "22.5", "23", "40", "90")] * (n // 8)
    return [Pair(k, k * Decimal(shift)) for k in known]


def test_an_equal_lot_is_accepted() -> None:
    told = compare(pairs(), CUTOFF)
    assert told.accepted
    assert (told.n, told.near, told.mean_percent, told.changes_near, told.changes_far) == (24, 9, 0, 0, 0)


@pytest.mark.parametrize(("shift", "findings"), [
    ("1.1", ()), ("1.101", (Finding.SHIFTED,)), ("0.9", (Finding.CLASSES_CHANGE,)),
    ("0.8", (Finding.SHIFTED, Finding.CLASSES_CHANGE)), ("1.7", (Finding.SHIFTED, Finding.CLASSES_CHANGE)),
])  # fmt: skip
def test_shifts_at_the_edge_of_ten_per_cent(shift: str, findings: tuple[Finding, ...]) -> None:
    # Source: job 7.7: mean difference near the cutoff ≤ 10 %, at most 1 in 20 changing sides within ± 15 %.
    assert compare(pairs(shift=shift), CUTOFF).findings == findings


def test_one_in_twenty_near_the_cutoff_may_change_sides() -> None:
    near = [Pair(Decimal("20.5"), Decimal("20.4"))] * 19 + [Pair(Decimal("20.2"), Decimal("19.9"))]
    rest = [Pair(Decimal(5), Decimal(5)), Pair(Decimal(80), Decimal(80))]
    assert compare(near + rest, CUTOFF).accepted
    two = [*near[:18], *[Pair(Decimal("20.2"), Decimal("19.9"))] * 2]
    assert compare(two + rest, CUTOFF).findings == (Finding.CLASSES_CHANGE,)
    far = [*near, *rest, Pair(Decimal(40), Decimal(15))]
    assert compare(far, CUTOFF).findings == (Finding.CLASSES_CHANGE,)


def test_too_few_or_not_spanning() -> None:
    assert Finding.TOO_FEW in compare(pairs(n=16), CUTOFF).findings
    assert compare([Pair(Decimal(5), Decimal(5))] * 30, CUTOFF).findings == (Finding.NOT_SPANNING,)
    with pytest.raises(ValueError, match="cutoff"):
        compare([], Decimal(0))


amounts = st.decimals("0.5", "300", places=1)


@hypothesis_settings(deadline=None)
@given(st.lists(st.tuples(amounts, amounts), min_size=2, max_size=40))
def test_mean_and_sd_against_the_standard_library(drawn: list[tuple[Decimal, Decimal]]) -> None:
    # Oracle: Python's statistics module.
    told = compare([Pair(*pair) for pair in drawn], CUTOFF)
    percent = [100 * (Fraction(new) - Fraction(known)) / Fraction(known) for known, new in drawn]
    assert told.mean_percent == pytest.approx(float(statistics.mean(percent)))
    assert told.sd_percent == pytest.approx(float(statistics.stdev(map(float, percent))), abs=1e-6)


@pytest.mark.parametrize(("value", "score"), [
    ("54", Score.FINE), ("46", Score.FINE), ("54.01", Score.QUESTIONABLE), ("55.99", Score.QUESTIONABLE),
    ("56", Score.UNSATISFACTORY), ("44", Score.UNSATISFACTORY),
])  # fmt: skip
def test_assessment_scores(value: str, score: Score) -> None:
    # Source: ISO 13528 (from memory): |z| ≤ 2 satisfactory, 2 < |z| < 3 questionable, ≥ 3 unsatisfactory; assigned 50, SD 2.
    assert assessment_score(assessment_z(Decimal(value), Decimal(50), Decimal(2))) is score


@pytest.mark.parametrize("score", Score)
def test_every_score_has_words(score: Score) -> None:
    assert str(score.sentence)
    with pytest.raises(ValueError, match="SD"):
        assessment_z(Decimal(1), Decimal(1), Decimal(0))


TEXT = "\n".join(f"S{n},{p.known},{p.new}" for n, p in enumerate(pairs()))


def a_comparison() -> ComparisonSet:
    return ComparisonSet(
        kind="analyser", known_analyser=bench.analyser("Q1"), new_analyser=bench.analyser("Q2")
    )


@pytest.mark.usefixtures("region")
def test_a_comparison_is_approved_by_a_second_person() -> None:
    made = comparison_enter(by=bench.technician(), comparison=a_comparison(), text=TEXT)
    assert comparison_told(made).accepted
    with pytest.raises(RoundbookError) as refused:
        comparison_approve(by=bench.technician(), comparison=made, note="")
    assert refused.value.code == "second_person"
    assert comparison_approve(by=bench.lead(), comparison=made, note="").approved_by == bench.lead()
    with pytest.raises(RoundbookError):
        comparison_approve(by=bench.lead(), comparison=made, note="")
    poor = comparison_enter(by=bench.technician(), comparison=a_comparison(), text="S1,5,9")
    with pytest.raises(RoundbookError) as refused:
        comparison_approve(by=bench.lead(), comparison=poor, note="")
    assert refused.value.code == "words_missing"


@pytest.mark.usefixtures("region")
@pytest.mark.parametrize("text", ["", "S1,5", "S1,five,5", "S1,5,-1", "S1,5,5\nS1,5,5", ",5,5", "S1,NaN,5"])
def test_unreadable_pairs_are_named(text: str) -> None:
    with pytest.raises(RoundbookError):
        comparison_enter(by=bench.technician(), comparison=a_comparison(), text=text)
    assert not ComparisonSet.objects.exists()


@pytest.mark.usefixtures("region")
def test_an_assessment_that_is_off_needs_words() -> None:
    # Source: job 12.8: one external assessment with z = 2.4.
    row = AssessmentRound(
        analyser=bench.analyser(), scheme="Invented scheme", number="2026-2/A", due_on=clock.today() + timedelta(days=5)
    )  # fmt: skip
    assessment_keep(by=bench.technician(), row=row)
    row.value, row.assigned, row.sd = Decimal("54.8"), Decimal(50), Decimal(2)
    with pytest.raises(RoundbookError) as refused:
        assessment_keep(by=bench.technician(), row=row)
    assert refused.value.code == "words_missing"
    row.action = "Calibrated anew."
    assert assessment_keep(by=bench.lead(), row=row).entered_by == bench.technician()


def test_the_pages(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    assert client.get(reverse("results:watch")).status_code == 200
    bench.measured([(bench.a_sample(), ">1000"), (bench.a_sample(), "60")])
    page = client.get(reverse("results:watch") + "?analyser=Q1").content.decode()
    assert "left behind" in page
    where = reverse("results:comparison-new")
    facts = {
        "kind": "analyser", "known_analyser": bench.analyser("Q1").pk, "new_analyser": bench.analyser("Q2").pk, "text": TEXT,
    }  # fmt: skip
    assert client.post(where, facts | {"text": "x"}).status_code == 422
    answer = client.post(where, facts)
    made = ComparisonSet.objects.get()
    assert "accepted" in client.get(answer.url).content.decode()
    client.post(reverse("results:comparison", args=[made.pk]), {"note": ""})
    made.refresh_from_db()
    assert made.approved_by is None
    signed_in(cast.LAB_LEAD).post(reverse("results:comparison", args=[made.pk]), {"note": ""})
    made.refresh_from_db()
    assert made.approved_by == bench.lead()
    where = reverse("results:assessment-new")
    facts = {
        "analyser": bench.analyser().pk, "scheme": "Invented scheme", "number": "1/A", "due_on": clock.today().isoformat(),
        "value": "54.8", "assigned": "50", "sd": "2", "action": "",
    }  # fmt: skip
    assert client.post(where, facts).status_code == 422
    assert client.post(where, facts | {"action": "Calibrated anew."}).status_code == 302
    row = AssessmentRound.objects.get()
    assert client.get(reverse("results:assessment", args=[row.pk])).status_code == 200
    assert "2.4" in client.get(reverse("results:watch")).content.decode()
