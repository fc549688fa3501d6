"""Indicators against a small population whose figures are counted by hand below."""

from datetime import date, timedelta

import pytest
from django.utils import translation

from oversight.figures import Figure, figure_of
from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.measuring import straight
from oversight.pages.patterns import pattern_of
from oversight.services.activity import activity_counts
from oversight.services.figures import Counted, figures
from staff import clock
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")

MARCH = (date(2026, 3, 1), date(2026, 3, 31))
LATER = date(2026, 12, 1)
SENT = date(2026, 3, 2)


def day(n: int, sent: date = SENT) -> date:
    """The n-th day after the kit was handed to the post."""
    return sent + timedelta(days=n)


def twelve_people() -> None:
    """Twelve rounds, each counted once in the table of the test below."""
    # 1 woman 52 QUI: back day 10, result day 12, below: in both windows
    worked.released(worked.came_back(worked.invited(SENT, age=52), day(10)), day(12))
    # 2 man 61 QUI: back day 20, result day 22, at or above, examined 40 days later: in both windows
    high = worked.released(
        worked.came_back(worked.invited(SENT, sex="male", age=61), day(20)), day(22), high=True
    )
    worked.examined(high, day(62))
    # 3 woman 64 NOR: back on day 90 itself, result day 120 itself: both count, to the day
    worked.released(worked.came_back(worked.invited(SENT, age=64, area="NOR"), day(90)), day(120))
    # 4 woman 58 NOR: back day 91, result day 95: only in the window of 180
    worked.released(worked.came_back(worked.invited(SENT, age=58, area="NOR"), day(91)), day(95))
    # 5 man 70 NOR: back day 88, result day 121: too late for 90 + 30, in time for 180
    worked.released(
        worked.came_back(worked.invited(SENT, sex="male", age=70, area="NOR"), day(88)), day(121), high=True
    )
    # 6 man 55 QUI: back day 30, never a result: in neither
    worked.came_back(worked.invited(SENT, sex="male", age=55), day(30))
    # 7 woman 66 QUI: the post could not deliver it: in the denominator, not in the adjusted one
    worked.undelivered(worked.invited(SENT, age=66), day(5))
    # 8 woman 73 QUI: died: in the denominator, not in the adjusted one
    worked.closed(worked.invited(SENT, age=73), day(9), "died")
    # 9 age and area not known: no kit came back
    worked.closed(worked.invited(SENT, sex="unknown", age=None, area="nowhere"), day(91), "not_returned")
    # 10 entered in error: counted nowhere
    worked.closed(worked.invited(SENT), day(1), "entered_in_error")
    # 11 postponed on 2 March, invited again on 20 March, took part then: counted once
    first = worked.invited(SENT, sex="male", age=62)
    worked.closed(first, day(3), "postponed")
    again = worked.invited(date(2026, 3, 20), sex="male", age=62, person=first.person)
    worked.released(worked.came_back(again, date(2026, 3, 30)), date(2026, 4, 1))
    # 12 asked for a kit: shown apart, not in uptake; the result counts in positivity
    worked.released(worked.came_back(worked.invited(SENT, age=62, batch=False), day(9)), day(10))


UPTAKE = ["uptake_90", "uptake_180", "uptake_90_adjusted", "uptake_180_adjusted", "positivity_cohort"]
RELEASED = ["positivity", "examined_90"]
CUTS = ("month", "sex", "age", "area")


def ask(keys: list[str], since: date, until: date, by: str = "month") -> Counted:
    return figures(Asked(since, until, by), keys)


def counted(keys: list[str], key: str, since: date, until: date) -> dict[tuple[str, str], tuple[int, int]]:
    return {
        (by, row.label if by == "area" else row.key): (
            row.figures[key].numerator,
            row.figures[key].denominator,
        )
        for by in CUTS
        for row in ask(keys, since, until, by).rows
        if row.figures[key].denominator
    }


def counts_of(total: dict[str, Figure]) -> dict[str, tuple[int, int]]:
    return {key: (f.numerator, f.denominator) for key, f in total.items()}


# Source: counted by hand from `twelve_people`; the definition is ruling R13.
def test_uptake_counted_by_hand() -> None:
    twelve_people()
    with clock.at(clock.moment(LATER, 12)):
        found = ask(UPTAKE, *MARCH)
        cut = counted(UPTAKE, "uptake_90", *MARCH)
    # invited: 1-9 and the second round of 11 = 10; within 90: 1, 2, 3, 11; within 180 also 4, 5
    assert counts_of(found.total.figures) == {
        "uptake_90": (4, 10), "uptake_180": (6, 10), "uptake_90_adjusted": (4, 8), "uptake_180_adjusted": (6, 8),
        "positivity_cohort": (1, 4),
    }  # fmt: skip
    assert cut == {
        ("sex", "female"): (2, 5), ("sex", "male"): (2, 4), ("sex", "unknown"): (0, 1),
        ("age", "50"): (1, 1), ("age", "55"): (0, 2), ("age", "60"): (3, 3), ("age", "65"): (0, 1),
        ("age", "70"): (0, 2), ("age", "-1"): (0, 1),
        ("area", "Northmere"): (1, 3), ("area", "Quillport"): (3, 6), ("area", "not known"): (0, 1),
        ("month", "2026-03-01"): (4, 10),
    }  # fmt: skip
    assert {f.maturity.code for f in found.total.figures.values()} == {"complete"}


# Source: counted by hand from `twelve_people`.
def test_positivity_counted_by_hand() -> None:
    twelve_people()
    until = date(2026, 7, 31)
    with clock.at(clock.moment(LATER, 12)):
        found = ask(RELEASED, MARCH[0], until)
        cut = counted(RELEASED, "positivity", MARCH[0], until)
        counts = activity_counts(since=MARCH[0], until=MARCH[1])
    # results: 1 (14 March), 2 (24 March), 3 (30 June), 4 (5 June), 5 (1 July), 11 (1 April), 12 (12 March)
    assert cut == {
        ("sex", "female"): (0, 4), ("sex", "male"): (2, 3),
        ("age", "50"): (0, 1), ("age", "55"): (0, 1), ("age", "60"): (1, 4), ("age", "70"): (1, 1),
        ("area", "Northmere"): (1, 3), ("area", "Quillport"): (1, 4),
        ("month", "2026-03-01"): (1, 3), ("month", "2026-04-01"): (0, 1), ("month", "2026-06-01"): (0, 2),
        ("month", "2026-07-01"): (1, 1),
    }  # fmt: skip
    assert counts_of(found.total.figures)["examined_90"] == (1, 2)
    # in March: 10 people invited in a batch, one outside; kits of 1, 2, 11, 12 came back; results 1, 2, 12; two referrals open
    assert (counts.invited, counts.outside_batches, counts.people_back, counts.results) == (10, 1, 4, 3)
    assert (counts.at_or_above, counts.examined, counts.referrals_open, counts.referrals_closed) == (
        1,
        0,
        2,
        0,
    )


@pytest.mark.parametrize(
    ("since", "until"), [MARCH, (date(2026, 3, 2), date(2026, 7, 14)), (date(2026, 3, 14), LATER)]
)
def test_roll_ups_agree_with_straight_aggregation(since: date, until: date) -> None:
    """Two formulations, two ways of reading: the cells (with broken months from the facts), and one statement over all."""
    twelve_people()
    with clock.at(clock.moment(LATER, 12)):
        whole, results = (
            straight.uptake(since=since, until=until),
            straight.positivity(since=since, until=until),
        )
        found = counts_of(ask([*UPTAKE, *RELEASED], since, until).total.figures)
        by_age = counted(UPTAKE, "uptake_90", since, until)
    one, two = whole["total", ""], results["total", ""]
    assert found == {
        "uptake_90": (one["in_90"], one["invited"]), "uptake_180": (one["in_180"], one["invited"]),
        "uptake_90_adjusted": (one["in_90"], one["invited"] - one["lost_90"]),
        "uptake_180_adjusted": (one["in_180"], one["invited"] - one["lost_180"]),
        "positivity_cohort": (one["high"], one["in_90"]),
        "positivity": (two["high"], two["usable"]), "examined_90": (two["examined"], two["high"]),
    }  # fmt: skip
    for (by, key), counts in whole.items():
        if by == "age":
            assert by_age[by, key or "-1"] == (counts["in_90"], counts["invited"])


@pytest.mark.parametrize("by", [*CUTS, "fifth", "history"])
def test_rows_of_every_cut_add_up_to_the_total(by: str) -> None:
    twelve_people()
    with clock.at(clock.moment(date(2026, 7, 1), 12)):
        found = ask([*UPTAKE, *RELEASED], MARCH[0], LATER, by)
    for key, figure in found.total.figures.items():
        assert sum(r.figures[key].numerator for r in found.rows) == figure.numerator, key
        assert sum(r.figures[key].denominator for r in found.rows) == figure.denominator, key


def test_a_filter_of_the_facts_counts_as_the_cells_do() -> None:
    twelve_people()
    with clock.at(clock.moment(LATER, 12)):
        men = figures(Asked(*MARCH, "age", {"sex": "male"}), UPTAKE).total.figures
        fresh = figures(Asked(*MARCH, "age", {"sex": "male", "band": "0"}), UPTAKE).total.figures
        none = figures(Asked(*MARCH, "age", {"language": "xx"}), UPTAKE).total.figures
    assert counts_of(men) == counts_of(fresh)
    assert counts_of(men)["uptake_90"] == (2, 4)
    assert counts_of(none)["uptake_90"] == (0, 0)


def test_a_young_cohort_is_provisional_and_says_how_far_it_is() -> None:
    worked.invited(date(2026, 5, 18))
    with clock.at(clock.moment(date(2026, 6, 17), 12)):
        maturity = ask(UPTAKE, date(2026, 5, 1), date(2026, 5, 31)).total.figures["uptake_90"].maturity
    # 30 of 120 days
    assert (maturity.complete, maturity.percent) == (False, 25)
    assert str(maturity.words) == "provisional: 25 % of the window has passed"


def test_a_period_that_runs_is_provisional() -> None:
    with clock.at(clock.moment(date(2026, 6, 16), 12)):
        figure = ask(RELEASED, date(2026, 6, 1), date(2026, 6, 30)).total.figures["positivity"]
    assert (figure.maturity.percent, figure.numerator, figure.denominator) == (50, 0, 0)
    assert (figure.percent, figure.low, figure.too_few) == (None, None, True)


def test_labels_are_words() -> None:
    twelve_people()
    with translation.override("en-gb"), clock.at(clock.moment(LATER, 12)):
        rows = {
            by: [r.label for r in ask(UPTAKE, *MARCH, by).rows] for by in ("age", "sex", "month", "history")
        }
    assert rows["age"] == ["50–54", "55–59", "60–64", "65–69", "70–74", "not known"]
    assert rows["sex"] == ["female", "male", "unknown"]
    assert rows["month"] == ["March 2026"]
    assert rows["history"] == ["first screen"]


def test_no_percentage_is_rounded_up_to_complete() -> None:
    assert figure_of(1, 200, basis="cohort", passed=0.9999).maturity.percent == 99


def test_every_figure_can_be_said_in_a_sentence() -> None:
    for one in indicators().values():
        words = pattern_of(one)
        assert all(name in words for name in ("%(n)s", "%(share)s", "%(what)s", "%(until)s")), one.key
