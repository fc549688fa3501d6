"""Indicators that are counted straight: intervals kept, people, plans and cancers; counted by hand, cut, filtered, given."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.test import Client

from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.pages.cancers import cancers
from oversight.pages.examiners import examiners
from oversight.pages.parts import sentence_of
from oversight.rollup.few import FEW
from oversight.services.cancer_sums import cancer_sums
from oversight.services.coverage import coverage_count
from oversight.services.examiners import Work, work_by_examiner
from oversight.services.figures import figures
from oversight.services.given import figure_give, reconcile
from oversight.services.known import known_figure
from oversight.services.lists import listed
from oversight.services.rollup import catch_up, differences
from results.models import Examination, LesionRow
from results.services.cancers import cancer_report
from screening.models import Person, Round
from screening.services.due import due_dates_refresh
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import User
from tests import cast, factories
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]
SPRING = Asked(date(2026, 3, 1), date(2026, 5, 31))
LATER = date(2026, 8, 3)
STRAIGHT = [one.key for one in indicators().values() if one.anchor in FEW]


def took_part(invited: date, read: date, person: Person | None = None, **who: object) -> Round:
    """Invited and read below on these days."""
    round_ = worked.invited(invited, person=person, **who)  # type: ignore[arg-type]
    worked.released(worked.came_back(round_, read), read)
    return round_


def not_returned(invited: date, person: Person | None = None) -> Round:
    """Invited and never heard of; closed on day 91."""
    round_ = worked.invited(invited, person=person)
    worked.closed(round_, invited + timedelta(days=91), "not_returned")
    return round_


def eight_people() -> None:
    """Whose interval of 24 months is over in spring 2026, or is not; the comment says when."""
    # 1 read on 15 March 2024: due on 15 March 2026; invited on 14 April, day 30: kept
    worked.invited(date(2026, 4, 14), person=took_part(date(2024, 3, 4), date(2024, 3, 15)).person)
    # 2 the same, invited on 15 April, day 31: too late
    worked.invited(
        date(2026, 4, 15), person=took_part(date(2024, 3, 4), date(2024, 3, 15)).person, sex="male"
    )
    # 3 without a result, the interval runs from the invitation: due on 4 May 2026; invited that day: kept
    worked.invited(date(2026, 5, 4), person=not_returned(date(2024, 5, 6)).person)
    # 4 due on 20 April 2026, never invited again: still waits
    took_part(date(2024, 4, 8), date(2024, 4, 20))
    # 5 the same, but died in March: did not fall due
    dead = took_part(date(2024, 4, 8), date(2024, 4, 20)).person
    Person.objects.filter(pk=dead.pk).update(deceased_on=date(2026, 3, 1))
    # 8 the same, but the round before was taken over from earlier records: waits too
    took_part(date(2024, 4, 8), date(2024, 4, 20), batch=False)
    # 6 invited and postponed in April 2024, taking part in June: due in June 2026, after the spring
    first = worked.invited(date(2024, 4, 8))
    worked.closed(first, date(2024, 4, 10), "postponed")
    took_part(date(2024, 6, 3), date(2024, 6, 14), person=first.person)
    # 7 after a referral the signed day counts: due on 1 April 2026 although invited in June 2023; invited that day: kept
    worked.invited(date(2026, 4, 1), person=concluded(date(2023, 6, 5), date(2026, 4, 1)).person)
    # first invitations and those from outside the batches fall under no interval
    worked.invited(date(2026, 4, 1))


def concluded(invited: date, back_to_screening: date) -> Round:
    """At or above, followed up to its end, with a signed day for the next round."""
    round_ = worked.invited(invited)
    read = invited + timedelta(days=20)
    worked.released(worked.came_back(round_, read), read, high=True)
    round_.refresh_from_db()
    with clock.at(clock.moment(read + timedelta(days=90), 9)), acting(factories.by_default()):
        make_move(round_, "conclude", reason="follow_up_concluded", due_on=back_to_screening)
    return round_


# Source: counted by hand; the definition is job 7.2 with rulings R9 and R13.
def test_intervals_kept_counted_by_hand() -> None:
    eight_people()
    with clock.at(clock.moment(LATER, 9)):
        due_dates_refresh(by=User.objects.system())
        total = figures(SPRING, ["interval_kept"]).total.figures["interval_kept"]
        by = {
            cut: {
                row.key: (row.figures["interval_kept"].numerator, row.figures["interval_kept"].denominator)
                for row in figures(replace(SPRING, by=cut), ["interval_kept"]).rows
            }
            for cut in ("month", "sex", "history")
        }
        men = figures(replace(SPRING, only={"sex": "male"}), ["interval_kept"]).total.figures["interval_kept"]
        assert differences() == []
    # kept: 1 3 7; late: 2; waiting: 4 8
    assert (total.numerator, total.denominator, total.maturity.complete) == (3, 6, True)
    assert by["month"] == {"2026-03-01": (1, 2), "2026-04-01": (1, 3), "2026-05-01": (1, 1)}
    assert by["sex"] == {"female": (3, 5), "male": (0, 1)}
    assert by["history"] == {}, "those who wait have no next round, and so no history at it"
    assert (men.numerator, men.denominator) == (0, 1)


def test_an_interval_is_provisional_until_its_thirty_days_are_over() -> None:
    with clock.at(clock.moment(date(2026, 6, 1), 9)):
        young = figures(SPRING, ["interval_kept"]).total.figures["interval_kept"].maturity
    # 92 of the spring's 92 days and the 30 after it
    assert (young.complete, young.percent) == (False, 75)


def some_cancers() -> None:
    """Two below of January 2026, one of whom has a cancer in March 2027; one found in February 2026 and not reported."""
    missed = took_part(date(2025, 12, 22), date(2026, 1, 12)).person
    took_part(date(2025, 12, 22), date(2026, 1, 12), sex="male")
    back = worked.came_back(worked.invited(date(2025, 12, 22)), date(2026, 1, 9))
    worked.examined(worked.released(back, date(2026, 1, 12), high=True), date(2026, 2, 10), finding="cancer")
    with clock.at(clock.moment(date(2027, 6, 1), 9)):
        cancer_report(
            by=cast.member(cast.NURSE), person=missed, diagnosed_on=date(2027, 3, 1), stage="II", source="cancer registry",
            document="CR-1",
        )  # fmt: skip


YEARS = Asked(date(2026, 1, 1), date(2027, 12, 31))


@pytest.mark.parametrize("by", ["month", "sex", "age", "area", "fifth", "history"])
def test_every_cut_of_cancers_has_the_same_total(by: str) -> None:
    some_cancers()
    with clock.at(clock.moment(date(2028, 2, 1), 9)):
        catch_up()
        asked = replace(YEARS, by=by)
        keys = [one.key for one in indicators().of("cancers")]
        counted = figures(asked, keys)
    got = {key: (one.numerator, one.denominator) for key, one in counted.total.figures.items()}
    # two below followed from 15 January 2026 to the end of 2027: 716 days each, 3.92 person-years
    assert got == {
        "sensitivity": (1, 2), "sensitivity_cohort": (1, 2), "interval_proportion": (1, 2), "interval_rate": (1, 4),
        "early_found": (0, 0), "early_missed": (1, 1), "early_untested": (0, 0), "treated_31": (0, 0),
    }  # fmt: skip
    if by != "history":
        for key, (x, n) in got.items():
            assert sum(row.figures[key].numerator for row in counted.rows) == x, key
            assert sum(row.figures[key].denominator for row in counted.rows) == n, key


def test_the_page_and_the_declared_figures_count_the_same_cancers() -> None:
    some_cancers()
    with clock.at(clock.moment(date(2028, 2, 1), 9)):
        blocks = {block.key: block for block in cancers(YEARS).blocks}
        total: Mapping[str, int] = {}
        for counts in cancer_sums(YEARS).values():
            total = {name: total.get(name, 0) + n for name, n in counts.items()}
    assert [row[1] for row in blocks["sensitivity"].rows] == [str(total["found"]), str(total["missed"])]
    assert blocks["interval"].foot[1:3] == [str(total["missed"]), str(total["person_years"])]


@pytest.mark.parametrize("key", STRAIGHT)
def test_a_filter_that_does_not_belong_leaves_nothing_and_is_named(key: str) -> None:
    some_cancers()
    with clock.at(clock.moment(date(2028, 2, 1), 9)):
        catch_up()
        coverage_count()
        found = figures(replace(YEARS, only={"band": "1"}), [key])
    assert (found.total.figures[key].numerator, found.total.figures[key].denominator) == (0, 0)
    assert "value in the round before" in sentence_of(found, key).words


@pytest.mark.parametrize("key", list(indicators()))
def test_every_definition_opens_on_an_empty_register_and_promises_no_list_it_has_not(
    signed_in: SignIn, key: str
) -> None:
    client = signed_in(cast.MANAGER)
    page = client.get(f"/how-are-we-doing/definition/{key}/")
    assert page.status_code == 200
    assert "What it counts" in page.content.decode()
    answer = client.get(f"/how-are-we-doing/people/?key={key}&part=counted").status_code
    assert answer == (200 if indicators()[key].has_list else 404)
    assert (listed(YEARS, key=key, part="counted") is not None) == indicators()[key].has_list


def test_a_straight_figure_that_was_given_says_what_may_have_changed_it() -> None:
    some_cancers()
    with clock.at(clock.moment(date(2028, 2, 1), 9)):
        catch_up()
        given = figure_give(by=cast.member(cast.MANAGER), to="Ministry", key="sensitivity", asked=YEARS)
        assert reconcile(given).differences == []
        woman = Round.objects.filter(sex_at_invitation="male").get().person
        cancer_report(
            by=cast.member(cast.NURSE), person=woman, diagnosed_on=date(2027, 4, 1), source="cancer registry", document="CR-2"
        )  # fmt: skip
        found = reconcile(given)
        assert known_figure("sensitivity", YEARS, date(2028, 1, 1)) is None
    assert (found.now.numerator, found.now.denominator) == (1, 3)
    assert [(str(one.words), one.numerator, one.denominator) for one in found.differences] == [
        ("cancers reported, corrected or found at an examination", 0, 1)
    ]


def some_colonoscopies(examiner: str, scopes: int, adenomas: int, minutes: int) -> None:
    """So many people at or above examined by somebody on 1 April 2026, each clean or with one adenoma."""
    for n in range(scopes):
        back = worked.came_back(worked.invited(date(2026, 3, 2)), date(2026, 3, 10))
        result = worked.released(back, date(2026, 3, 12), high=True)
        seen = Examination.objects.create(
            referral=result.referral_link.referral, day=date(2026, 4, 1), complete=True, prep_adequate=True, report_document="R1",
            finding="non_advanced" if n < adenomas else "nothing", examiner=examiner, withdrawal_minutes=minutes,
            reported_on=date(2026, 4, 1), entered_by=cast.member(cast.NURSE),
        )  # fmt: skip
        if n < adenomas:
            LesionRow.objects.create(
                examination=seen, number=1, segment="sigmoid", size_mm=5, shape="Is", looks="adenoma", removal="en_bloc", pot=1,
            )  # fmt: skip


# Source: counted by hand; adenoma detection, adenomas a procedure and withdrawal are job 7.2 and standards 3.3.
def test_examiners_are_counted_pooled_and_seen_by_few(signed_in: SignIn) -> None:
    some_colonoscopies("Unit 1", 4, 3, 8)
    some_colonoscopies("Unit 2", 2, 0, 6)
    some_colonoscopies("", 1, 0, 10)
    with clock.at(clock.moment(LATER, 9)):
        found = {one.examiner: one for one in work_by_examiner(SPRING)}
        found_, looked = examiners(SPRING).blocks
    assert found["Unit 1"] == Work("Unit 1", 4, 4, 4, 3, 3, 1, 8)
    assert found["Unit 2"] == Work("Unit 2", 2, 2, 2, 0, 0, 2, 12)
    assert [list(map(str, row))[:2] for row in found_.rows] == [["The others together", "7"]]
    assert (str(found_.foot[4]), str(looked.foot[4])) == ("0.43", "7.50"), (
        "3 of 7; 30 minutes of 4 clean ones"
    )
    for block in (found_, looked):
        assert {len(row) for row in (*block.rows, block.foot)} == {len(block.columns)}
    address = "/how-are-we-doing/examiners/?from=2026-03-01&to=2026-05-31"
    assert "Unit 1" not in signed_in(cast.MANAGER).get(address).content.decode(), "too few to stand alone"
    assert signed_in(cast.COORDINATOR).get(address).status_code == 403
    assert signed_in(cast.AUDITOR).get(address).status_code == 403
