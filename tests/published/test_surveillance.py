"""The three guidelines' tables, row by row and at their edges.

Sources: European: Hassan et al., Endoscopy 2020;52:687, doi 10.1055/a-1185-3109, table of recommendations. British: Rutter et
al., Gut 2020;69:201, doi 10.1136/gutjnl-2019-319858 (definitions from memory). American: Gupta et al., US Multi-Society Task
Force, 2020, doi 10.1053/j.gastro.2019.10.026, tables of adenomas and of serrated lesions (second surveillance from memory).
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from results.findings import Dysplasia, Lesion, Looks, Removal, Tissue
from results.surveillance import Course, Guideline, Proposal, proposal

EU, UK, US = Guideline.EUROPEAN_2020, Guideline.BRITISH_2020, Guideline.AMERICAN_2020
TA, TV, VA = Tissue.TUBULAR, Tissue.TUBULOVILLOUS, Tissue.VILLOUS
SSL, TSA, HP = Tissue.SESSILE_SERRATED, Tissue.TRADITIONAL_SERRATED, Tissue.HYPERPLASTIC


def found(*facts: tuple[object, ...]) -> list[Lesion]:
    """Lesions of (tissue, mm, how many = 1, dysplasia = low for adenomas, removal = en bloc)."""
    out: list[Lesion] = []
    for tissue, mm, *rest in facts:
        count, dysplasia, removal = [*rest, *[None] * 3][:3]
        low = Dysplasia.LOW if tissue in (TA, TV, VA) else Dysplasia.NONE
        for _n in range(count or 1):
            out.append(
                Lesion(
                    number=len(out) + 1, size_mm=mm, segment="sigmoid", looks=Looks.ADENOMA, tissue=tissue,
                    removal=removal or Removal.EN_BLOC, dysplasia=dysplasia or low, clear_margins=True,
                )
            )  # fmt: skip
    return out


def said(guideline: Guideline, *facts: tuple[object, ...]) -> str:
    one = proposal(guideline, found(*facts), conclusive=True)
    return "screening" if one.course is Course.SCREENING else f"{one.months[0]}-{one.months[1]}"


# The same findings under three guidelines: calculated from the three tables; the villous and the 1–4 small adenoma
# contrasts are confirmed by the papers' own comparison of guidelines.
MATRIX = [
    ("one tubular adenoma 8 mm", [(TA, 8)], "screening", "screening", "84-120"),
    ("one tubulovillous adenoma 8 mm", [(TV, 8)], "screening", "screening", "36-36"),
    ("one tubular adenoma 12 mm en bloc", [(TA, 12)], "36-36", "screening", "36-36"),
    ("two adenomas, 12 and 4 mm", [(TA, 12), (TA, 4)], "36-36", "36-36", "36-36"),
    ("four adenomas under 10 mm", [(TA, 9, 4)], "screening", "screening", "36-60"),
    ("five adenomas under 10 mm", [(TA, 4, 5)], "36-36", "36-36", "36-36"),
    ("one sessile serrated lesion 10 mm", [(SSL, 10)], "36-36", "screening", "36-36"),
    ("ten adenomas", [(TA, 4, 10)], "36-36", "36-36", "36-36"),
    ("eleven adenomas", [(TA, 4, 11)], "36-36", "36-36", "12-12"),
]


@pytest.mark.parametrize(("case", "lesions", "eu", "uk", "us"), MATRIX, ids=[row[0] for row in MATRIX])
def test_the_same_findings_under_three_guidelines(
    case: str, lesions: list, eu: str, uk: str, us: str
) -> None:
    assert [said(guideline, *lesions) for guideline in (EU, UK, US)] == [eu, uk, us]


HGD, PIECES = Dysplasia.HIGH, Removal.PIECEMEAL
EUROPEAN = [
    ([], "screening"), ([(TA, 9)], "screening"), ([(TA, 10)], "36-36"), ([(TA, 9, 1, HGD)], "36-36"),
    ([(VA, 9, 4)], "screening"), ([(VA, 9, 5)], "36-36"), ([(SSL, 9, 6)], "screening"), ([(SSL, 9, 1, Dysplasia.LOW)], "36-36"),
    ([(HP, 9)], "screening"), ([(HP, 10)], "36-36"), ([(TSA, 5)], "36-36"), ([(TA, 19, 1, None, PIECES)], "36-36"),
    ([(TA, 20, 1, None, PIECES)], "3-6"), ([(SSL, 25, 1, None, PIECES)], "3-6"), ([(TA, 20)], "36-36"),
]  # fmt: skip
AMERICAN = [
    ([], "120-120"), ([(TA, 9)], "84-120"), ([(TA, 9, 2)], "84-120"), ([(TA, 9, 3)], "36-60"), ([(TA, 9, 4)], "36-60"),
    ([(TA, 9, 5)], "36-36"), ([(TA, 9, 10)], "36-36"), ([(TA, 9, 11)], "12-12"), ([(TA, 10)], "36-36"), ([(VA, 3)], "36-36"),
    ([(TA, 5, 1, HGD)], "36-36"), ([(TA, 20, 1, None, PIECES)], "6-6"), ([(SSL, 20, 1, None, PIECES)], "6-6"),
    ([(HP, 9, 20)], "120-120"), ([(HP, 10)], "36-60"), ([(SSL, 9)], "60-120"), ([(SSL, 9, 2)], "60-120"), ([(SSL, 9, 3)], "36-60"),
    ([(SSL, 9, 4)], "36-60"), ([(SSL, 9, 5)], "36-36"), ([(SSL, 10)], "36-36"), ([(SSL, 5, 1, Dysplasia.LOW)], "36-36"),
    ([(TSA, 4)], "36-36"), ([(TA, 5), (SSL, 5)], "60-120"),
]  # fmt: skip
BRITISH = [
    ([], "screening"), ([(TA, 9, 4)], "screening"), ([(TA, 9, 5)], "36-36"), ([(TA, 10), (HP, 6)], "36-36"),
    ([(TA, 9, 1, HGD), (TA, 3)], "36-36"), ([(TA, 9, 1, HGD)], "screening"), ([(VA, 9, 2)], "screening"),
    ([(SSL, 4, 1, Dysplasia.LOW), (SSL, 4)], "36-36"), ([(TA, 19)], "screening"), ([(TA, 20)], "36-36"),
    ([(TA, 20, 1, None, PIECES)], "2-6"), ([(HP, 5, 5)], "36-36"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("guideline", "lesions", "expected"),
    [(g, one, want) for g, rows in ((EU, EUROPEAN), (US, AMERICAN), (UK, BRITISH)) for one, want in rows],
)
def test_every_row_and_edge(guideline: Guideline, lesions: list, expected: str) -> None:
    assert said(guideline, *lesions) == expected


def test_diminutive_rectal_hyperplastic_polyps_do_not_count_in_the_british_table() -> None:
    rectal = [Lesion(n, 5, "rectum", Looks.SERRATED, Removal.EN_BLOC, tissue=HP) for n in range(1, 8)]
    assert proposal(UK, rectal, conclusive=True).course is Course.SCREENING
    larger = [Lesion(n, 6, "rectum", Looks.SERRATED, Removal.EN_BLOC, tissue=HP) for n in range(1, 6)]
    assert proposal(UK, larger, conclusive=True).months == (36, 36)


@pytest.mark.parametrize(("margins", "expected"), [(True, (36, 36)), (False, (2, 6)), (None, (2, 6))])
def test_a_large_polyp_needs_known_clear_margins(margins: bool | None, expected: tuple[int, int]) -> None:
    flat = Lesion(1, 20, "caecum", Looks.ADENOMA, Removal.EN_BLOC, tissue=TA, clear_margins=margins)
    assert proposal(UK, [flat], conclusive=True).months == expected
    stalked = Lesion(1, 20, "sigmoid", Looks.ADENOMA, Removal.PIECEMEAL, pedunculated=True, tissue=TA)
    assert proposal(UK, [stalked], conclusive=True).course is Course.SCREENING


@pytest.mark.parametrize("guideline", list(Guideline))
def test_nothing_rests_on_an_examination_that_was_not_complete(guideline: Guideline) -> None:
    one = proposal(guideline, found((TA, 12)), conclusive=False)
    assert (one.course, one.months) == (Course.FIRST_COMPLETE, None)
    waiting = Lesion(1, 4, "rectum", Looks.SERRATED, Removal.EN_BLOC)
    assert proposal(guideline, [waiting], conclusive=True).course is Course.AWAIT_HISTOLOGY
    lost = Lesion(1, 12, "rectum", Looks.ADENOMA, Removal.EN_BLOC, retrieved=False)
    assert proposal(guideline, [lost], conclusive=True).course is not Course.AWAIT_HISTOLOGY
    cancer = found((Tissue.CARCINOMA, 30), (TA, 4))
    for conclusive in (True, False):
        one = proposal(guideline, cancer, conclusive=conclusive)
        assert (one.course, one.lesions) == (Course.TREATMENT, (1,))


@pytest.mark.parametrize(
    ("guideline", "before", "expected"),
    [(EU, 1, (60, 60)), (EU, 2, None), (UK, 1, None), (US, 1, (60, 60)), (US, 0, (84, 120))],
)
def test_after_a_clear_surveillance(
    guideline: Guideline, before: int, expected: tuple[int, int] | None
) -> None:
    one = proposal(guideline, found((TA, 5)), conclusive=True, surveillance_before=before)
    assert one.months == expected


@pytest.mark.parametrize("guideline", list(Guideline))
def test_a_lesion_left_in_place_is_removed_before_any_interval(guideline: Guideline) -> None:
    left = found((TA, 6, 1, None, Removal.BIOPSY), (TA, 12))
    one = proposal(guideline, left, conclusive=True)
    assert (one.course, one.rule, one.lesions) == (Course.EARLY_REPEAT, "left_in_place", (1,))
    harmless = found((Tissue.NOT_NEOPLASTIC, 6, 1, None, Removal.BIOPSY))
    assert proposal(guideline, harmless, conclusive=True).rule != "left_in_place"


def test_every_proposal_quotes_the_lesions_behind_it() -> None:
    one: Proposal = proposal(EU, found((TA, 4), (TA, 12), (SSL, 3)), conclusive=True)
    assert (one.rule, one.lesions) == ("advanced_adenoma", (2,))
    assert "10 mm or more" in str(one.because)


LESIONS = st.builds(
    Lesion,
    number=st.integers(1, 30),
    size_mm=st.integers(1, 40),
    segment=st.sampled_from(["rectum", "sigmoid", "caecum"]),
    looks=st.sampled_from(Looks),
    removal=st.sampled_from(Removal),
    pedunculated=st.booleans(),
    retrieved=st.booleans(),
    tissue=st.sampled_from(Tissue),
    dysplasia=st.sampled_from(Dysplasia),
    clear_margins=st.sampled_from([True, False, None]),
)


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(Guideline), st.lists(LESIONS, max_size=12), LESIONS)
def test_adding_a_lesion_never_lengthens_an_interval(
    guideline: Guideline, lesions: list, another: Lesion
) -> None:
    before = proposal(guideline, lesions, conclusive=True)
    assert proposal(guideline, [*lesions, another], conclusive=True).soonness <= before.soonness
