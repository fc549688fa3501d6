"""The golden population: sixty people whose figures were counted by hand, covering every exception of the definitions."""

from datetime import date

import pytest

from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.services.cells import places
from oversight.services.figures import figures
from oversight.services.lists import listed
from oversight.services.rollup import differences
from staff import clock
from tests.oversight import sixty

pytestmark = pytest.mark.usefixtures("region")
MARCH = Asked(date(2026, 3, 1), date(2026, 3, 31))
SINCE_MARCH = Asked(date(2026, 3, 1), date(2027, 11, 30))
LATER = date(2027, 12, 1)

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
    # by day 31: Y1 Y2×2 Y10 Y11 Y12 = 6; by 90: also Y3 Y4 = 8; by 180: also Y5 Y6 = 10; by 365: also Y7 = 11
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
    # collected two days before each arrival, analysed on the day of release: old are C2 (32 days), E (35), F (32)
    "aged_7": (4, 45),
    "lettered_high": (0, 13),
}  # fmt: skip
ARRIVED = {
    # first kits back: the 42, G S V X R2 = 48; kits: also the second of T and of U = 50; rejected S T U
    "unusable_people": (1, 48),
    "unusable_kits": (3, 50),
    # of S T U, usable within 60 days of the first arrival: T (20 days); U took 70
    "rescued": (1, 3),
}
EXAMINED = {
    # twelve colonoscopies; not complete Y6; an adenoma in Y2×2 Y3 Y5; harm: Y10 on day 30; not Y11 (day 31), Y12 (not related)
    "completion": (11, 12), "preparation": (12, 12), "adenoma_detection": (4, 12), "retrieval": (0, 0),
    "harm_any": (1, 12), "harm_bleeding": (1, 12), "harm_perforation": (0, 12),
}  # fmt: skip
PLACES = {
    "below": 30, "not_returned": 3, "declined": 1, "undeliverable": 2, "left": 3, "postponed": 1, "kit_due": 1,
    "laboratory": 2, "kit_out": 1, "to_reach": 1, "to_conclude": 12,
}  # fmt: skip


def test_sixty_people_counted_by_hand() -> None:
    assert sum(n for _letter, n, _course in sixty.COURSES) == 60
    sixty.laid_down()
    with clock.at(clock.moment(LATER, 12)):
        invited = figures(MARCH, list(INVITED)).total.figures
        rest = figures(SINCE_MARCH, [key for key in indicators() if key not in INVITED]).total.figures
        whole, found = places(MARCH)
        high = listed(MARCH, key="positivity_cohort", part="counted")
        unspoken = listed(SINCE_MARCH, key="spoken_7", part="not_counted")
    expected = INVITED | RELEASED | ARRIVED | EXAMINED
    assert set(expected) == set(indicators())
    counted = {key: (one.numerator, one.denominator) for key, one in {**invited, **rest}.items()}
    assert {key: value for key, value in counted.items() if value != expected[key]} == {}
    assert all(one.maturity.complete for one in {**invited, **rest}.values())
    assert (whole, {place: n for place, n in found.items() if n}) == (57, PLACES)
    assert sum(PLACES.values()) == 57
    assert (high.total, unspoken.total) == (13, 9)
    assert (str(rest["needed_to_screen"].value), str(rest["needed_to_scope"].value)) == ("11.3", "3.0")
    assert differences() == []
