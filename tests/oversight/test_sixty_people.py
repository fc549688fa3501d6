"""The golden population: sixty people whose figures were counted by hand, covering every exception of the definitions."""

from datetime import date

import pytest

from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.pages.harm_events import harm_events
from oversight.services.cells import places
from oversight.services.coverage import coverage_count
from oversight.services.figures import figures
from oversight.services.lists import listed
from oversight.services.rollup import catch_up, differences
from oversight.services.told import Kind, figure_tell
from staff import clock
from tests import cast
from tests.oversight import sixty

pytestmark = pytest.mark.usefixtures("region")
MARCH = Asked(date(2026, 3, 1), date(2026, 3, 31))
SINCE_MARCH = Asked(date(2026, 3, 1), date(2027, 11, 30))
LATER = date(2032, 12, 1)
"""Late enough for the cancers of two years to have been reported, two years after the next test was due."""
LAST_NIGHT = date(2027, 11, 30)

REACH = {
    # on 30 November 2027: the sixty less Y4 and Y5, who died; rounds that closed because of a death or a move leave the person
    # in the register. Invited within two years: not O, whose round was an error. Screened within 30 months: 45 less Y4 and Y5
    "invitation_coverage": (57, 58), "examination_coverage": (43, 58),
    # invited on 4 March 2024 and read on the 16th: due on 16 March 2026, invited again on the 2nd: HS1 HS2; P was postponed
    "interval_kept": (2, 2),
}  # fmt: skip
# Counted by hand; each line says who is counted, over whom. Source of the definitions: rulings R2, R4, R10, R13.
INVITED = {
    # n: 60 less O (in error) and R×2 (outside the batches) = 57; P counts once each
    # in 90: A14 B3 C2 P2 T U Z HS1 and the 13 of Y = 38
    "uptake_90": (38, 57),
    # in 180: also D2 E F = 42
    "uptake_180": (42, 57),
    # lost without taking part: J2 K L M = 5
    "uptake_90_adjusted": (38, 52),
    "uptake_180_adjusted": (42, 52),
    # any kit back in 90 days: the 38, and E S V X; not W, whose scan was undone
    "returned_90": (42, 57),
    # every course of the 57 begins with a kit handed to the post
    "kit_sent": (57, 57),
    "undelivered": (2, 57),
    # declined: I
    "declined": (1, 57),
    # took part in the round before: HS1 HS2
    "again_90": (1, 2),
    # at or above among the 38: Y = 13
    "positivity_cohort": (13, 38),
}
RELEASED = {
    # usable results: A14 B3 C2 D2 E F G P2 R2 T U Z HS1 = 32, and Y13 = 45; not X, withdrawn
    "positivity": (13, 45),
    "ladder_10": (13, 45), "ladder_20": (13, 45), "ladder_40": (13, 45), "ladder_80": (13, 45), "ladder_120": (0, 45),
    "unsure_cutoff": (1, 45),
    "referred": (13, 13),
    # spoken with by day 7: Y1 Y2×2 Y3; Y4 on day 8
    "spoken_7": (4, 13),
    # assessed by day 14: Y1 Y3, not Y2×2 (17); within 14 days of that were examined Y2×2 (14), not Y1 (15), Y3 (18)
    "assessed_14": (2, 13), "then_examined_14": (2, 4),
    # by day 31: Y1 Y2×2 Y10 Y11 Y12 = 6; of the twelve examined; by 60: also Y3
    "examined_31_share": (6, 12), "examined_60": (7, 13),
    # by 90: also Y3 Y4 = 8; by 180: also Y5 Y6 = 10; by 365: also Y7 = 11
    "examined_31": (6, 13), "examined_90": (8, 13), "examined_180": (10, 13), "examined_365": (11, 13),
    # complete and well prepared: the twelve examined (Y8 too) less Y6
    "conclusive_365": (11, 13),
    # found: cancer Y1; advanced adenoma Y2×2 Y5; non-advanced Y3; over the twelve examined, or the 45 screened
    "ppv_cancer": (1, 12), "ppv_advanced_adenoma": (3, 12), "ppv_advanced_neoplasia": (4, 12), "ppv_adenoma": (4, 12),
    "ppv_advanced_serrated": (0, 12),
    "detection_cancer": (1, 45), "detection_advanced_adenoma": (3, 45), "detection_advanced_neoplasia": (4, 45),
    "detection_adenoma": (4, 45), "detection_advanced_serrated": (0, 45),
    "needed_to_screen": (4, 45), "needed_to_scope": (4, 12),
    # released within 15 days of the first kit's arrival: not C2 E F T U
    "result_15": (39, 45),
    # within 5 days of the arrival of the kit it was measured from: not C2 E F; T and U two days after the second kit
    "result_5": (41, 45),
    # collected two days before each arrival, analysed on the day of release: old are C2 (32 days), E (35), F (32)
    "aged_7": (4, 45),
    # the kit model allows 14 days: the same four
    "over_age": (4, 45),
    # no letter was handed over
    "lettered_7": (0, 45),
    "lettered_high": (0, 13),
}  # fmt: skip
ARRIVED = {
    # first kits back: the 42, G S V X R2 = 48; kits: also the second of T and of U = 50; rejected S T U
    "unusable_people": (1, 48),
    "unusable_kits": (3, 50),
    "unusable_any": (3, 48),
    # all were collected on a known day
    "undated": (0, 50),
    # of S T U, usable within 60 days of the first arrival: T (20 days); U took 70
    "rescued": (1, 3),
}
EXAMINED = {
    # twelve colonoscopies; not complete Y6; an adenoma in Y2×2 Y3 Y5; harm: Y10 on day 30; not Y11 (day 31), Y12 (not related)
    "completion": (11, 12), "preparation": (12, 12), "adenoma_detection": (4, 12),
    "harm_any": (1, 12), "harm_bleeding": (1, 12), "harm_perforation": (0, 12), "harm_admission": (1, 12),
    # dead on day 30: Y4; on day 31: Y5
    "deaths_30": (1, 12),
    # removed: two in each of Y2×2, one in Y3, one in Y10; lost: one in each of Y2×2; a biopsy in Y1 removes nothing
    "retrieval": (4, 6),
    # at four colonoscopies (Y2×2 Y3 Y10), of which Y10 bled
    "harm_after_removal": (1, 4),
    # adenomas by histology: Y2×2; what looked like one in Y3 was none
    "adenomas_mean": (2, 12),
    # clean and complete with a time: Y4 6 minutes, Y8 9 minutes; Y3 had a finding
    "withdrawal": (15, 2), "comfort": (2, 12),
    # pots of Y1 Y2×2 Y3 Y10; told by day 14: Y1 Y2×2; Y3 on day 15, Y10 never
    "histology_14": (3, 5),
    # of the four told, high-grade in Y2×2; the cancer of Y1 is not counted
    "high_grade": (2, 4),
}  # fmt: skip
CANCERS = {
    # found: Y1; missed: D2 in July 2027; of never tested people: H2
    "sensitivity": (1, 2), "interval_proportion": (1, 2), "sensitivity_cohort": (1, 2),
    # stages: Y1 IV, D2 I, H2 III; treated after 40 days (Y1) and 20 (D2)
    "early_found": (0, 1), "early_missed": (1, 1), "early_untested": (0, 1), "treated_31": (1, 2),
    # 32 below, followed from the 15th of the result's month to 30 November 2027: March 21 × 626 days, April 3 × 595, May 565,
    # June 4 × 534, July 504, September 2 × 442; the two of 2024 until 15 March 2026, 14 days each: 19,048 days = 52.15 years
    "interval_rate": (1, 52),
    # nobody's surveillance was planned
    "surveillance_on_time": (0, 0),
}  # fmt: skip
# Told by others: kind, first month, last month, counted, out of.
TOLD_ROWS = (
    (Kind.COMPLAINTS, date(2026, 3, 1), date(2026, 3, 1), 3, None),
    (Kind.CALLS, date(2026, 2, 1), date(2026, 2, 1), 1, 9), (Kind.CALLS, date(2026, 3, 1), date(2026, 3, 1), 80, 100),
    (Kind.CALLS, date(2026, 4, 1), date(2026, 4, 1), 30, 50),
    (Kind.REPORTS, date(2026, 3, 1), date(2026, 12, 1), 9, 10),
    (Kind.CANCERS, date(2026, 4, 1), date(2027, 3, 1), 25, 40_000), (Kind.CANCERS, date(2027, 4, 1), date(2028, 3, 1), 99, 40_000),
    (Kind.DEATHS, date(2026, 4, 1), date(2027, 3, 1), 8, 40_000),
    (Kind.COST, date(2026, 3, 1), date(2026, 9, 1), 5_000, None),
)  # fmt: skip
TOLD = {
    # the 57 were all sent their kit in March
    "complaints": (3, 57),
    # March and April; February lies before the period
    "calls_answered": (110, 150),
    "pathology_forms": (9, 10),
    # the year to March 2027; the one after it ends outside the period
    "incidence": (25, 40_000), "mortality": (8, 40_000),
    # March to September 2026: the 57 and the 45 results, of whom four had advanced neoplasia: Y1 Y2×2 Y5
    "cost_invited": (5_000, 57), "cost_screened": (5_000, 45), "cost_found": (5_000, 4),
}  # fmt: skip
PLACES = {
    "below": 30, "not_returned": 3, "declined": 1, "undeliverable": 2, "left": 3, "postponed": 1, "kit_due": 1,
    "laboratory": 2, "kit_out": 1, "to_reach": 1, "to_conclude": 12,
}  # fmt: skip


def test_sixty_people_counted_by_hand() -> None:
    assert sum(n for _letter, n, _course in sixty.COURSES) == 60
    sixty.laid_down()
    by = cast.member(cast.MANAGER)
    with clock.at(clock.moment(LAST_NIGHT, 3)):
        catch_up()
        coverage_count()
    with clock.at(clock.moment(LATER, 12)):
        for kind, since, until, counted, out_of in TOLD_ROWS:
            figure_tell(
                by=by, kind=kind, since=since, until=until, counted=counted, out_of=out_of, source="Yearbook"
            )
        invited = figures(MARCH, list(INVITED)).total.figures
        rest = figures(SINCE_MARCH, [key for key in indicators() if key not in INVITED]).total.figures
        events = harm_events(SINCE_MARCH)
        whole, found = places(MARCH)
        high = listed(MARCH, key="positivity_cohort", part="counted")
        unspoken = listed(SINCE_MARCH, key="spoken_7", part="not_counted")
    expected = REACH | INVITED | RELEASED | ARRIVED | EXAMINED | CANCERS | TOLD
    assert set(expected) == set(indicators())
    counted = {key: (one.numerator, one.denominator) for key, one in {**invited, **rest}.items()}
    assert {key: value for key, value in counted.items() if value != expected[key]} == {}
    assert all(one.maturity.complete for one in {**invited, **rest}.values())
    assert (whole, {place: n for place, n in found.items() if n}) == (57, PLACES)
    assert sum(PLACES.values()) == 57
    assert (high.total, unspoken.total) == (13, 9)
    assert (str(rest["needed_to_screen"].value), str(rest["needed_to_scope"].value)) == ("11.3", "3.0")
    # Y10 bled on day 30 and stayed a night; day 31 (Y11) is too late, and Y12's was not related
    kinds = [[str(cell) for cell in row] for row in (*events.rows, events.foot)]
    assert [row[:-1] for row in kinds if row[-2] != "0"] == [
        ["Bleeding", "0", "1", "0", "0", "0", "1"],
        ["All", "0", "1", "0", "0", "0", "1"],
    ]
    assert differences() == []
