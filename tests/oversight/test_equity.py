"""Equity: steps for each group, whom groups are compared with, people missing, small places pooled and never ranked."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.test import Client

from oversight.figures import Figure, figure_of
from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.pages.equity import REACHES, STEPS, _missing_at, equity, reference
from oversight.pages.fairness import _standard
from oversight.pages.parts import POOLED, pooled, section_of
from oversight.services.figures import Row, figures, label
from screening.models import Person, Round
from tests import cast
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")
SENT = date(2026, 5, 4)
SPRING = Asked(date(2026, 4, 1), date(2026, 6, 17), "language")


def row(key: str, x: int, n: int, passed: float = 1.0) -> Row:
    return Row(key, f"group {key}", {"uptake_90": figure_of(x, n, basis="cohort", passed=passed)})


# Invented: uptake from 72.6 % in the least deprived fifth to 56.1 % in the most deprived.
FIFTHS = [
    row("1", 7412, 10210),
    row("2", 7105, 10180),
    row("5", 5480, 9760),
    row("0", 12, 400),
    row("4", 30, 60),
]


def cells(found: list[list[object]]) -> list[list[str]]:
    return [[str(cell) for cell in one] for one in found]


# Source: counted by hand: 10,180 × 7,412/10,210 = 7,390.3, less 7,105 = 285; 9,760 × 0.725955 = 7,085.3, less 5,480 = 1,605.
# The fifth that is not known and the one of 60 people are not compared.
def test_people_missing_against_the_least_deprived_fifth() -> None:
    found = cells(_missing_at(FIFTHS, "uptake_90", "fifth"))  # type: ignore[arg-type]
    assert [one[:5] for one in found] == [
        ["Uptake, 90 days: group 2", "7,105", "10,180", "285", "group 1"],
        ["Uptake, 90 days: group 5", "5,480", "9,760", "1,605", "group 1"],
        ["Uptake, 90 days: these together", "12,585", "19,940", "1,890", "group 1"],
    ]
    assert {one[6] for one in found} == {"C"}


def test_groups_without_an_order_are_compared_with_the_largest_share() -> None:
    groups = [row("male", 400, 1000), row("female", 520, 1000), row("unknown", 190, 200), row("other", 9, 9)]
    best = reference(groups, "uptake_90", "sex")
    assert best is not None
    assert best.key == "female"
    assert [one[3] for one in cells(_missing_at(groups, "uptake_90", "sex"))] == ["120"]  # type: ignore[arg-type]
    assert reference(groups, "uptake_90", "fifth") is None, "no least deprived fifth, nobody to compare with"


def by_language() -> Mapping[str, Mapping[str, Figure]]:
    return {one.key: one.figures for one in figures(SPRING, STEPS).rows}


# Source: counted by hand: two people of one language, one of whom answered at or above; one of no known language, below.
def test_every_step_by_language_is_counted_from_the_facts(signed_in: Callable[[str], Client]) -> None:
    first, second, third = (worked.invited(SENT) for _n in range(3))
    Person.objects.filter(pk__in=[first.person_id, second.person_id]).update(language="eu")
    high = worked.released(
        worked.came_back(first, SENT + timedelta(days=9)), SENT + timedelta(days=11), high=True
    )
    worked.examined(high, SENT + timedelta(days=30))
    worked.released(worked.came_back(third, SENT + timedelta(days=9)), SENT + timedelta(days=11))
    found = by_language()
    counts = {
        (key, step): (one.numerator, one.denominator)
        for key, row_ in found.items()
        for step, one in row_.items()
    }
    assert list(found) == ["eu", "und"], "what is not known comes last"
    assert [label("language", key, {}) for key in found] == ["Basque", "not known"]
    assert [counts["eu", step] for step in ("kit_sent", "uptake_90", "positivity", "examined_180")] == [
        (2, 2), (1, 2), (1, 1), (1, 1),
    ]  # fmt: skip
    assert [counts["und", step] for step in ("kit_sent", "uptake_90", "positivity")] == [
        (1, 1),
        (1, 1),
        (0, 1),
    ]
    page = signed_in(cast.MANAGER).get(
        "/how-are-we-doing/equity/", {"from": "2026-04-01", "to": "2026-06-17", "by": "language"}
    )
    steps = page.context["page"].blocks[0]
    assert [str(one) for one in steps.columns] == ["Step", "2 small ones together", "Basis", "Maturity"]
    assert "Left out, since it cannot be told apart so: Treatment begun within 31 days." in steps.note
    assert "by=language" not in page.content.decode().split("Pages of figures")[1].split("</nav>")[0]
    listed = signed_in(cast.MANAGER).get(
        "/how-are-we-doing/people/",
        {
            "from": "2026-04-01",
            "to": "2026-06-17",
            "by": "language",
            "key": "uptake_90",
            "part": "counted",
            "row": "eu",
        },
    )
    assert [one.round_id for one, _url in listed.context["rows"]] == [first.pk]


@pytest.mark.parametrize("by", ["month", "fifth", "sex", "age", "history", "language"])
def test_every_step_has_its_counts_basis_and_maturity(by: str) -> None:
    for n in range(3):
        one = worked.invited(SENT, sex="female" if n else "male")
        Round.objects.filter(pk=one.pk).update(deprivation_fifth=n + 1)
    shown = equity(replace(SPRING, by=by))
    for block in shown.blocks[: 3 if by in ("month", "fifth") else 2]:
        assert {len(one) for one in block.rows} <= {len(block.columns)}
        for one in block.rows:
            assert str(one[-2]) in ("C", "P")
            assert str(one[-1]).startswith(("complete", "provisional"))
    assert shown.blocks[0].key == "steps"
    assert {indicators()[key].key for key in REACHES} <= set(STEPS)


def test_small_places_stand_together_and_places_are_not_ranked() -> None:
    rows = [row("1", 600, 1000), row("2", 12, 30, 0.5), row("3", 700, 1000), row("4", 4, 20)]
    together = pooled(rows, ["uptake_90"], "uptake_90")
    assert [one.key for one in together] == ["1", "3", POOLED]
    last = together[-1].figures["uptake_90"]
    assert (last.numerator, last.denominator, last.maturity.passed) == (16, 50, 0.5)
    assert pooled(rows[:2], ["uptake_90"], "uptake_90") == rows[:2], (
        "one small place has nobody to stand with"
    )
    worked.invited(SENT)
    counted = figures(Asked(SPRING.since, SPRING.until, "area"), ["uptake_90"])
    section = section_of(replace(counted, rows=rows), "uptake_90")
    assert "Lowest" not in section.summary
    assert "areas lie between 60.0 % and 70.0 %" in section.summary


def test_the_standard_population_is_chosen_in_the_address(signed_in: Callable[[str], Client]) -> None:
    client = signed_in(cast.MANAGER)
    for chosen, name in (
        ("", "European Standard Population 2013"),
        ("world_2000", "WHO World Standard Population"),
    ):
        page = client.get("/how-are-we-doing/equity/", {"standard": chosen} if chosen else {})
        assert f"selected>{name}" in page.content.decode().replace('selected=""', "selected")
        assert ("standard=world_2000" in page.content.decode().split("Pages of figures")[1]) == bool(chosen)
    text = client.get("/how-are-we-doing/equity/", {"standard": "moon"}).content.decode()
    assert "Standard population: There is no “moon” here." in text


# Source: worked by hand with the printed weights of the WHO World Standard (5.37 and 2.21 for 50–54 and 70–74, as reprinted from
# GPE discussion paper 31) and the European Standard Population 2013 (7,000 and 5,000): 60 of 100 and 20 of 100 give
# (5.37·0.6 + 2.21·0.2) / 7.58 = 48.3 % and (7,000·0.6 + 5,000·0.2) / 12,000 = 43.3 %.
@pytest.mark.parametrize(("which", "printed"), [("world_2000", "48.3 %"), ("europe_2013", "43.3 %")])
def test_areas_are_standardised_to_the_population_chosen(which: str, printed: str) -> None:
    ages = {50: (60, 100), 55: (0, 0), 60: (0, 0), 65: (0, 0), 70: (20, 100)}
    counts = {(1, sex, age): {"x": x, "n": n} for sex in ("female", "male") for age, (x, n) in ages.items()}
    assert str(_standard(counts, 1, "n", "x", which)).startswith(printed)
