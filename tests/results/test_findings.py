"""What lesions amount to: classes and their order, sizes and dysplasia at the edge, pots, doubt, and the Boston scale.

Sources: definitions of advanced adenoma: European guidelines, Endoscopy 2012;44:SE31; of advanced serrated lesion: Hassan et al.,
Endoscopy 2020;52:687. Boston scale: Lai et al., Gastrointest Endosc 2009;69:620; adequate means 2 or 3 in each segment.
"""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from results.findings import (
    ORDER,
    Dysplasia,
    Lesion,
    Looks,
    Removal,
    Tissue,
    boston_adequate,
    classify,
    lesion_class,
    lesion_problems,
    lesions_words,
    pots_problems,
    reason_of,
    with_doubtful_pots,
    worst,
)
from results.models.referrals import FindingClass
from tests.published.test_surveillance import HGD, HP, LESIONS, SSL, TA, TSA, TV, found

LOW = Dysplasia.LOW


def test_the_order_of_seriousness_is_the_list_people_choose_from() -> None:
    assert list(ORDER) == list(FindingClass.values)


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        ((TA, 9), "non_advanced"), ((TA, 10), "advanced_adenoma"), ((TA, 3, 1, HGD), "advanced_adenoma"),
        ((TV, 4), "advanced_adenoma"), ((SSL, 9), "non_advanced"), ((SSL, 10), "advanced_serrated"),
        ((SSL, 4, 1, LOW), "advanced_serrated"), ((TSA, 4), "advanced_serrated"), ((HP, 9), "non_advanced"),
        ((HP, 10), "advanced_serrated"), ((Tissue.CARCINOMA, 3), "cancer"), ((Tissue.OTHER_CANCER, 3), "other_cancer"),
        ((Tissue.NOT_NEOPLASTIC, 30), "other"),
    ],
)  # fmt: skip
def test_the_class_of_one_lesion(facts: tuple[object, ...], expected: str) -> None:
    assert lesion_class(found(facts)[0], villous_counts=True) == expected


def test_whether_a_villous_part_counts_is_the_programmes_definition() -> None:
    assert lesion_class(found((TV, 4))[0], villous_counts=False) == "non_advanced"
    assert lesion_class(found((TV, 4, 1, HGD))[0], villous_counts=False) == "advanced_adenoma"


def test_a_diminutive_hyperplastic_polyp_of_the_rectum_is_no_premalignant_finding() -> None:
    small = replace(found((HP, 5))[0], segment="rectum")
    assert lesion_class(small, villous_counts=True) == "other"
    assert lesion_class(replace(small, size_mm=6), villous_counts=True) == "non_advanced"


def test_the_worst_finding_stands_for_the_person_and_says_why() -> None:
    classed = classify(found((TA, 4), (SSL, 11), (TV, 6)), conclusive=True)
    assert (classed.finding, classed.lesion, classed.provisional) == ("advanced_adenoma", 3, False)
    assert "villous part" in str(classed.because)
    assert worst([]) == "inconclusive"
    assert worst(["nothing", "other", "non_advanced"]) == "non_advanced"


@pytest.mark.parametrize(
    ("conclusive", "seen", "expected"),
    [(True, "nothing", "nothing"), (False, "nothing", "inconclusive"), (False, "", "inconclusive"), (True, "other", "other"),
     (False, "cancer", "cancer"), (True, "inconclusive", "nothing")],
)  # fmt: skip
def test_h21_without_lesions_only_a_conclusive_examination_is_clean(
    conclusive: bool, seen: str, expected: str
) -> None:
    assert classify([], conclusive=conclusive, seen=seen).finding == expected


def test_a_lesion_without_histology_counts_as_it_looked() -> None:
    seen = Lesion(1, 12, "sigmoid", Looks.ADENOMA, Removal.EN_BLOC)
    classed = classify([seen], conclusive=True)
    assert (classed.finding, classed.without_histology, classed.provisional) == (
        "advanced_adenoma",
        True,
        True,
    )
    lost = replace(seen, retrieved=False)
    assert not classify([lost], conclusive=True).provisional, (
        "what was not retrieved is classified on size and looks"
    )
    assert (
        classify([replace(seen, looks=Looks.CANCER, removal=Removal.LEFT)], conclusive=False).finding
        == "cancer"
    )


@pytest.mark.parametrize(
    ("scores", "adequate"),
    [
        ((2, 2, 2), True),
        ((3, 3, 3), True),
        ((2, 2, 3), True),
        ((3, 3, 1), False),
        ((1, 2, 3), False),
        ((0, 3, 3), False),
    ],
)
def test_boston_is_judged_by_segment_not_by_total(scores: tuple[int, int, int], adequate: bool) -> None:
    assert boston_adequate(*scores) is adequate
    with pytest.raises(ValueError, match="0 to 3"):
        boston_adequate(4, 3, 3)


def test_a_size_typed_ten_times_too_large_is_asked_about() -> None:
    large = found((TA, 100))[0]
    assert "100 mm" in str(lesion_problems(large)[0])
    assert lesion_problems(large, size_confirmed=True) == []
    assert lesion_problems(found((TA, 60))[0]) == []
    assert lesion_problems(found((TA, 201))[0], size_confirmed=True) != []
    assert lesion_problems(found((TA, 0))[0]) != []


def test_h23_pots_and_lesions_must_agree() -> None:
    one, two = found((TA, 4), (TA, 5))
    assert pots_problems(2, [(one, 1), (two, 2)]) == []
    assert pots_problems(1, [(one, 1), (two, 1)]) == [], "two lesions may share a pot"
    assert "pot 3" in str(pots_problems(3, [(one, 1), (two, 2)])[0])
    assert "which pot" in str(pots_problems(2, [(one, 1), (two, None)])[0])
    assert "2 pots were sent" in str(pots_problems(2, [(one, 1), (two, 3)])[0])
    lost = replace(two, retrieved=False)
    assert pots_problems(1, [(one, 1), (lost, None)]) == []
    assert "not retrieved" in str(pots_problems(2, [(one, 1), (lost, 2)])[0])
    assert pots_problems(4, []) == [], (
        "a report typed without its lesions says how many pots there are and no more"
    )


def test_swapped_pots_count_as_badly_as_they_can() -> None:
    large, small = found((HP, 12), (TA, 4, 1, HGD))
    doubted = with_doubtful_pots([large, small], frozenset({1, 2}))
    assert [lesion_class(one, villous_counts=True) for one in doubted] == ["advanced_adenoma"] * 2
    assert with_doubtful_pots([large, small], frozenset()) == [large, small]


@settings(max_examples=300, deadline=None)
@given(st.lists(LESIONS, max_size=8), LESIONS, st.booleans())
def test_another_lesion_never_makes_the_finding_milder(
    lesions: list, another: Lesion, conclusive: bool
) -> None:
    before = classify(lesions, conclusive=conclusive).finding
    after = classify([*lesions, another], conclusive=conclusive).finding
    assert ORDER.index(after) <= ORDER.index(before)


def test_every_feature_of_an_advanced_lesion_is_said_the_worst_first() -> None:
    large = replace(found((TA, 22, 1, HGD))[0], clear_margins=False)
    words = "lesion 1: tubular adenoma of 22 mm, with high-grade dysplasia, 10 mm or more, margins not clear"
    assert str(reason_of(large, villous_counts=True)) == words
    villous = found((TV, 12, 1, HGD))[0]
    assert str(reason_of(villous, villous_counts=True)).endswith("10 mm or more, with a villous part")
    assert "villous part" not in str(reason_of(villous, villous_counts=False))
    assert str(reason_of(found((TA, 12))[0], villous_counts=True)).endswith("12 mm, which is 10 mm or more")
    assert str(reason_of(found((SSL, 12, 1, HGD))[0], villous_counts=True)).endswith(
        "with high-grade dysplasia, 10 mm or more"
    )
    cancer = replace(found((Tissue.CARCINOMA, 12))[0], clear_margins=False)
    assert str(reason_of(cancer, villous_counts=True)) == "lesion 1: adenocarcinoma, margins not clear"


def test_the_histology_in_words_names_all_lesions_the_most_serious_first() -> None:
    small, large = found((HP, 4), (TA, 22, 1, HGD))
    waiting = replace(found((TA, 5))[0], number=3, tissue=None)
    told = lesions_words([small, replace(large, clear_margins=False), waiting], villous_counts=True)
    assert told == (
        "Lesion 2: tubular adenoma, 22 mm, high-grade dysplasia, margins not clear. "
        "Lesion 3: 5 mm, no histology. Lesion 1: hyperplastic polyp, 4 mm, no dysplasia, margins clear."
    )
    clear = replace(found((SSL, 11, 1, LOW))[0], clear_margins=True)
    assert lesions_words([clear], villous_counts=True) == (
        "Lesion 1: sessile serrated lesion, 11 mm, low-grade dysplasia, margins clear."
    )
