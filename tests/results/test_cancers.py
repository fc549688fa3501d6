"""What a cancer reported from outside was. Source of the definitions: Sanduleanu et al., Gut 2015;64:1257 (interval cancer);
Rutter et al., Gastroenterology 2018;155:909 (post-colonoscopy cancer); that a cancer after an unexamined result at or above
is no interval cancer: job 2.18."""

from datetime import date
from itertools import product

import pytest

from results.cancers import CLASS_WORDS, CancerClass, Examined, History, PastTest, Planned, cancer_class

D = date(2026, 6, 1)
BELOW = PastTest(date(2025, 4, 1), at_or_above=False, next_due=date(2027, 4, 1))
HIGH = PastTest(date(2025, 4, 1), at_or_above=True, next_due=date(2027, 4, 1))
CLEAN = Examined(date(2025, 5, 1), conclusive=True, found_cancer=False)
HALF = Examined(date(2025, 5, 1), conclusive=False, found_cancer=False)
FOUND = Examined(date(2025, 5, 1), conclusive=False, found_cancer=True)
CLOSED = (date(2025, 4, 1), date(2025, 6, 1))


@pytest.mark.parametrize(
    ("history", "expected"),
    [
        (History(), CancerClass.NEVER_TESTED),
        (History(tests=[BELOW]), CancerClass.AFTER_BELOW),
        (History(tests=[PastTest(date(2024, 6, 1), False, D)]), CancerClass.NEXT_TEST_PASSED),
        (History(tests=[PastTest(date(2024, 6, 1), False, date(2026, 6, 2))]), CancerClass.AFTER_BELOW),
        (History(tests=[HIGH], open_referrals=[CLOSED]), CancerClass.NOT_EXAMINED),
        (History(tests=[HIGH], examinations=[HALF], open_referrals=[CLOSED]), CancerClass.NOT_EXAMINED),
        (History(tests=[HIGH], open_referrals=[(date(2025, 4, 1), None)]), CancerClass.SCREEN_DETECTED),
        (History(tests=[HIGH], open_referrals=[(date(2025, 4, 1), D)]), CancerClass.SCREEN_DETECTED),
        (History(tests=[HIGH], examinations=[FOUND], open_referrals=[CLOSED]), CancerClass.SCREEN_DETECTED),
        (History(tests=[HIGH], examinations=[CLEAN], open_referrals=[CLOSED]), CancerClass.AFTER_EXAMINATION),
        (
            History(
                tests=[HIGH], examinations=[CLEAN], surveillance=[Planned(date(2025, 5, 9), date(2028, 5, 1))]
            ),
            CancerClass.IN_SURVEILLANCE,
        ),
        (
            History(
                tests=[HIGH], examinations=[CLEAN], surveillance=[Planned(date(2025, 5, 9), date(2026, 5, 1))]
            ),
            CancerClass.NEXT_TEST_PASSED,
        ),
        (
            History(tests=[BELOW, PastTest(date(2026, 1, 1), True, date(2028, 1, 1))]),
            CancerClass.NOT_EXAMINED,
        ),
        (History(tests=[PastTest(date(2026, 7, 1), False, date(2028, 7, 1))]), CancerClass.NEVER_TESTED),
        (
            History(tests=[HIGH, PastTest(date(2026, 2, 1), False, date(2028, 2, 1))], examinations=[CLEAN]),
            CancerClass.AFTER_BELOW,
        ),
    ],
)
def test_each_history_has_its_class(history: History, expected: CancerClass) -> None:
    assert cancer_class(history, diagnosed_on=D) is expected


def test_another_organ_and_an_unsettled_link_never_count_in_a_rate() -> None:
    history = History(tests=[BELOW])
    assert cancer_class(history, diagnosed_on=D, from_bowel=False) is CancerClass.OTHER_ORIGIN
    assert cancer_class(history, diagnosed_on=D, settled=False) is CancerClass.LINK_UNSETTLED


def test_every_combination_has_words() -> None:
    seen = set()
    tests = [[], [BELOW], [HIGH]]
    looks = [[], [CLEAN], [HALF], [FOUND]]
    for test, look, referral, bowel, settled in product(
        tests, looks, [[], [CLOSED]], [True, False], [True, False]
    ):
        history = History(tests=test, examinations=look, open_referrals=referral)
        seen.add(cancer_class(history, diagnosed_on=D, from_bowel=bowel, settled=settled))
    assert all(str(CLASS_WORDS[one]) for one in seen)
    assert set(CLASS_WORDS) == set(CancerClass)
