"""Breaks: drawn where a cutoff, kit model, the people invited or a definition changed, and only there; lots set apart."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.test import Client
from statsmodels.stats.proportion import confint_proportions_2indep

from oversight.filters import Asked
from oversight.pages.parts import section_of
from oversight.pages.positivity import lots_row
from oversight.services.breaks import breaks_between
from oversight.services.figures import figures
from results.models import CutoffRule, ResultsPolicy
from screening.models import KitModel, Protocol, ScreeningPolicy
from tests import cast
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")
CHANGE = date(2026, 4, 1)
YEAR = (date(2025, 7, 1), date(2026, 6, 17))


def a_protocol(**facts: object) -> Protocol:
    """The next protocol, in force from the day of the change, that says the same but for some facts."""
    before = ScreeningPolicy.objects.select_related("protocol").get()
    Protocol.objects.filter(pk=before.protocol_id).update(valid_to=CHANGE)
    after = Protocol.objects.create(
        name="Next", valid_from=CHANGE, proposed_by=cast.member(cast.MANAGER), approved_by=cast.member(cast.ADMINISTRATOR),
        carries_screening=True,
    )  # fmt: skip
    before.pk, before.protocol = None, after
    before._state.adding = True
    for name, value in facts.items():
        setattr(before, name, value)
    before.save()
    return after


def a_cutoff(after: Protocol, value: str) -> None:
    """The rule of the next protocol, following the one in force."""
    rule = CutoffRule.objects.get()
    rule.valid = type(rule.valid)(rule.valid.lower, CHANGE)
    rule.save()
    rule.pk, rule.protocol, rule.cutoff_ug_g = None, after, Decimal(value)
    rule.valid = type(rule.valid)(CHANGE, None)
    rule._state.adding = True
    rule.save()


def words() -> list[str]:
    return [str(one.words) for one in breaks_between(*YEAR)]


def test_a_protocol_that_carries_everything_over_is_no_break() -> None:
    a_cutoff(a_protocol(closing_days=100), "20")
    assert words() == []


def test_another_cutoff_and_other_people_are_breaks_for_what_they_touch() -> None:
    a_cutoff(a_protocol(age_from=45, interval_months=36), "15")
    assert set(words()) == {"cutoff 15 µg/g", "ages 45–74", "every 36 months"}
    touched = {str(one.words): one.groups for one in breaks_between(*YEAR)}
    assert "uptake" in touched["ages 45–74"]
    assert "uptake" not in touched["cutoff 15 µg/g"]
    assert "positivity" in touched["cutoff 15 µg/g"]


def test_another_kit_model_and_another_definition_of_advanced_are_breaks() -> None:
    policy = ResultsPolicy.objects.get()
    policy.pk, policy.protocol, policy.villous_counts = None, a_protocol(), False
    policy._state.adding = True
    policy.save()
    model = KitModel.objects.order_by("pk").first()
    assert model
    model.pk, model.version, model.valid_from = None, 9, CHANGE + timedelta(days=9)
    model._state.adding = True
    model.save()
    assert words() == ["advanced: a villous part does not count", f"kit model {model.name} v9"]


def test_the_chart_and_its_words_tell_of_the_breaks_that_touch_the_figure(
    signed_in: Callable[[str], Client],
) -> None:
    sent = date(2026, 3, 2)
    worked.released(
        worked.came_back(worked.invited(sent), sent + timedelta(days=9)), sent + timedelta(days=11)
    )
    a_cutoff(a_protocol(), "15")
    asked = Asked(*YEAR)
    counted = figures(asked, ["positivity", "uptake_90"])
    large = {
        key: replace(one, numerator=100, denominator=1000) for key, one in counted.rows[0].figures.items()
    }
    months = [replace(counted.rows[0], key=key, figures=large) for key in ("2026-03-01", "2026-04-01")]
    counted = replace(counted, rows=months)
    section = section_of(counted, "positivity", "", breaks_between(*YEAR))
    assert section.chart
    assert section.chart["breaks"] == [{"at": "Apr 2026", "label": "cutoff 15 µg/g"}]
    assert "Not comparable across what changed: 1 April 2026, cutoff 15 µg/g." in section.summary
    uptake = section_of(counted, "uptake_90", "", breaks_between(*YEAR))
    assert uptake.chart
    assert uptake.chart["breaks"] == []
    page = signed_in(cast.MANAGER).get("/how-are-we-doing/positivity/", {"from": "2025-07-01"})
    assert [str(one.words) for one in page.context["page"].breaks] == ["cutoff 15 µg/g"]


EARLY, LATE = [date(2026, 1, 1), date(2026, 2, 1)], [date(2026, 3, 1), date(2026, 4, 1)]


# Source: counted by hand; the interval is that of Newcombe 1998, method 10, 56 of 70 against 48 of 80 taken ten times (the same
# difference of 20.0 points, narrower), by statsmodels.
def test_a_new_lot_is_set_against_those_in_use_before() -> None:
    found = [
        (EARLY[0], 7, 500, 300),
        (LATE[0], 7, 300, 180),
        (LATE[1], 7, 500, 300),
        (LATE[0], 8, 700, 560),
        (LATE[0], 0, 90, 90),
    ]
    name, points, words = lots_row(found, EARLY, LATE)
    low, high = confint_proportions_2indep(560, 700, 480, 800, compare="diff", method="newcomb")
    assert (str(name), points) == ("Kit lots", f"+20.0 ({100 * low:+.1f} – {100 * high:+.1f})")
    assert str(words).endswith("560 of 700, against those in use before, 480 of 800")
    few = [(EARLY[0], 7, 500, 30), (LATE[0], 7, 300, 18), (LATE[0], 8, 60, 9)]
    assert str(lots_row(few, EARLY, LATE)[1]) == "too few to judge"
    assert lots_row(found[:3], EARLY, LATE)[1] == "–"
