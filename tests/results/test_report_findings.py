"""Reports with lesions, pots and histology: what is computed, what may be signed, and what an amendment takes back.

Hazards of job 8: H21 (incomplete counted as clean), H23 (pots and lesions), H24 (wrong interval).
"""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.db import IntegrityError, transaction

from results.forms_report import SignForm
from results.models import Examination, FindingComputed, LesionRow, NextStep, Referral
from results.services import referrals as services
from results.services.findings import HistologyEntry, LesionEntry, finding_standing
from results.services.referrals_closing import valid_next_step
from results.services.referrals_report import Quality
from screening.models import Exclusion
from staff import clock
from staff.errors import RoundbookError
from tests.results import follow_up as f

pytestmark = pytest.mark.usefixtures("region")

SMALL = LesionEntry("sigmoid", 8, "Is", "adenoma", "en_bloc", pot=1)
LARGE = LesionEntry("rectum", 12, "Ip", "adenoma", "en_bloc", pot=2)
TUBULAR = HistologyEntry("tubular", "low", clear_margins=True)


def examined(*lesions: LesionEntry, **facts: object) -> Referral:
    """A referral whose report has these lesions."""
    referral = f.a_referral("report_due")
    pots = len({one.pot for one in lesions if one.pot})
    given = {"prep_adequate": True, "specimens": pots, "finding": "", "lesions": lesions} | facts
    f.report(referral, **given)
    return referral


def rows(referral: Referral) -> list[LesionRow]:
    return list(LesionRow.objects.filter(examination__referral=referral))


def with_histology(referral: Referral, *entries: HistologyEntry) -> None:
    told = {row.pk: one for row, one in zip(rows(referral), entries, strict=True)}
    services.histology_record(by=f.liora(), referral=referral, lesions=told, document="PATH-1")


def standing(referral: Referral) -> FindingComputed:
    found = finding_standing(referral)
    assert found is not None
    return found


def test_lesions_decide_the_class_and_histology_the_proposal() -> None:
    referral = examined(SMALL, LARGE)
    assert referral.state == "histology_due"
    assert referral.examinations.get().finding == "advanced_adenoma"
    before = standing(referral)
    assert (before.provisional, before.without_histology, before.course) == (True, True, "await_histology")
    with_histology(referral, TUBULAR, TUBULAR)
    now = standing(referral)
    assert (referral.state, now.finding, now.rule, now.lesions) == (
        "to_classify", "advanced_adenoma", "advanced_adenoma", [2],
    )  # fmt: skip
    assert (now.months_low, now.months_high, now.counted_from) == (36, 36, clock.today())
    assert "12 mm, which is 10 mm or more" in now.because
    assert referral.computed.count() == 2, "the class before stays in the history"


def test_histology_in_part_goes_on_waiting() -> None:
    referral = examined(SMALL, LARGE)
    first, second = rows(referral)
    due = referral.due_on
    services.histology_record(by=f.liora(), referral=referral, lesions={first.pk: TUBULAR}, document="PATH-1")
    assert (referral.state, referral.due_on) == ("histology_due", due)
    services.histology_record(
        by=f.liora(), referral=referral, lesions={second.pk: TUBULAR}, document="PATH-2"
    )
    assert referral.state == "to_classify"


def test_h23_three_pots_and_two_lesions_are_refused() -> None:
    referral = f.a_referral("report_due")
    with pytest.raises(RoundbookError, match="pot 3") as refused:
        f.report(referral, specimens=3, finding="", lesions=[SMALL, LARGE])
    assert refused.value.code == "lesions_refused"
    assert Examination.objects.count() == 0
    referral.refresh_from_db()
    assert referral.state == "report_due"


def test_a_lesion_of_100_mm_is_asked_about() -> None:
    huge = LesionEntry("caecum", 100, "IIa", "adenoma", "piecemeal", pot=1)
    with pytest.raises(RoundbookError, match="unusually large"):
        examined(huge)
    referral = Referral.objects.get()
    f.report(referral, specimens=1, finding="", lesions=[huge], sizes_confirmed=True)
    assert rows(referral)[0].size_mm == 100


@pytest.mark.parametrize(
    ("boston", "said", "adequate"),
    [
        ((2, 2, 3), None, True),
        ((3, 3, 1), None, False),
        ((3, 3, 1), True, None),
        ((1, 2, 4), None, None),
        (None, None, None),
    ],
)
def test_the_scores_decide_about_the_preparation(
    boston: tuple[int, int, int] | None, said: bool | None, adequate: bool | None
) -> None:
    referral = f.a_referral("report_due")
    facts = {"quality": Quality(boston=boston), "prep_adequate": said, "finding": "inconclusive"}
    if adequate is None:
        with pytest.raises(RoundbookError):
            f.report(referral, **facts)
        return
    f.report(referral, **facts)
    made = referral.examinations.get()
    assert (made.prep_adequate, made.boston_left) == (adequate, boston[2])
    assert referral.state == ("to_classify" if adequate else "repeat_planned")


def test_the_database_refuses_scores_that_contradict_the_preparation() -> None:
    made = examined(SMALL).examinations.get()
    with pytest.raises(IntegrityError, match="preparation_agrees_with_its_scores"), transaction.atomic():
        Examination.objects.create(
            referral=made.referral, day=made.day, complete=True, prep_adequate=True, finding="other", report_document="X",
            reported_on=made.day, entered_by=f.liora(), boston_right=1, boston_transverse=3, boston_left=3,
        )  # fmt: skip


def test_h21_lesions_of_an_incomplete_examination_set_no_interval() -> None:
    referral = examined(SMALL, complete=False)
    with_histology(referral, TUBULAR)
    assert referral.state == "repeat_planned"
    assert (standing(referral).finding, standing(referral).course) == ("non_advanced", "first_complete")


def test_signing_as_proposed_needs_no_reason_and_anything_else_does() -> None:
    referral = examined(SMALL, LARGE)
    with_histology(referral, TUBULAR, TUBULAR)
    in_three_years = date(2029, 6, 17)
    with pytest.raises(RoundbookError, match="another one than the guideline proposes"):
        f.sign(referral, finding="advanced_adenoma")
    with pytest.raises(RoundbookError, match="another one than computed"):
        f.sign(referral, finding="non_advanced", step="surveillance", on=in_three_years)
    with pytest.raises(RoundbookError, match="outside the proposed time"):
        f.sign(referral, finding="advanced_adenoma", step="surveillance", on=date(2030, 1, 10))
    f.sign(referral, finding="advanced_adenoma", step="surveillance", on=in_three_years)
    signed = NextStep.objects.get()
    assert (signed.computed, signed.deviation) == (standing(referral), "")


def test_a_reason_is_kept_where_the_clinician_decides_otherwise() -> None:
    referral = examined(SMALL, LARGE)
    with_histology(referral, TUBULAR, TUBULAR)
    why = "Life expectancy short; agreed with the person."
    f.sign(referral, finding="advanced_adenoma", step="no_further", deviation=why)
    assert NextStep.objects.get().deviation == why


def test_a_lesion_that_was_not_retrieved_is_classed_by_size_and_looks() -> None:
    lost = LesionEntry("sigmoid", 6, "Is", "adenoma", "en_bloc", retrieved=False)
    referral = examined(lost)
    assert (referral.state, standing(referral).finding, standing(referral).course) == (
        "to_classify", "non_advanced", "screening",
    )  # fmt: skip
    assert standing(referral).without_histology


def test_amended_pathology_opens_the_closed_referral_and_takes_the_next_step_back() -> None:
    referral = examined(SMALL)
    with_histology(referral, TUBULAR)
    f.sign(referral, finding="non_advanced", close=True)
    assert referral.state == "closed"
    person, round_state = referral.person, referral.calls.get().result.round
    (row,) = rows(referral)
    same = services.histology_amend(
        by=f.liora(), referral=referral, lesions={row.pk: TUBULAR}, document="PATH-2"
    )
    assert (referral.state, same) == ("closed", standing(referral)), "nothing that counts has changed"
    high = HistologyEntry("tubular", "high", clear_margins=True)
    services.histology_amend(by=f.liora(), referral=referral, lesions={row.pk: high}, document="PATH-3")
    assert (referral.state, referral.pool, referral.owner_id is None) == ("to_classify", "clinicians", True)
    assert (standing(referral).finding, standing(referral).course) == ("advanced_adenoma", "surveillance")
    assert valid_next_step(referral) is None, "what was signed before no longer counts"
    round_state.refresh_from_db()
    person.refresh_from_db()
    assert (round_state.state, person.next_due_on) == ("follow_up", None)
    assert [row.version for row in row.histology.all()] == [1, 2, 3]


def test_amended_pathology_ends_surveillance_that_no_longer_stands() -> None:
    referral = examined(replace(LARGE, pot=1))
    with_histology(referral, TUBULAR)
    f.sign(referral, finding="advanced_adenoma", step="surveillance", on=date(2029, 6, 17), close=True)
    assert Exclusion.objects.get(person=referral.person).until is None
    (row,) = rows(referral)
    harmless = HistologyEntry("not_neoplastic", "none")
    services.histology_amend(by=f.liora(), referral=referral, lesions={row.pk: harmless}, document="PATH-2")
    assert referral.state == "to_classify"
    assert Exclusion.objects.get(person=referral.person).until is not None


def test_swapped_pots_count_as_badly_as_they_can_until_settled() -> None:
    referral = examined(SMALL, LARGE)
    first = HistologyEntry("tubular", "high", pot_in_doubt=True)
    second = HistologyEntry("hyperplastic", "none", pot_in_doubt=True)
    with_histology(referral, first, second)
    assert standing(referral).lesions == [1, 2], "either of them may be the one with high-grade dysplasia"


def test_findings_of_two_examinations_count_together() -> None:
    referral = examined(
        *[LesionEntry("sigmoid", 4, "Is", "adenoma", "en_bloc", pot=n) for n in (1, 2)], complete=False
    )
    with_histology(referral, TUBULAR, TUBULAR)
    services.booking_make(
        by=f.liora(), referral=referral, site=f.unit(), day=clock.today(), time=f.HALF_PAST_NINE
    )
    more = [LesionEntry("caecum", 4, "Is", "adenoma", "en_bloc", pot=n) for n in (1, 2, 3)]
    f.report(referral, specimens=3, finding="", lesions=more, report_document="REP-2")
    told = {row.pk: TUBULAR for row in rows(referral) if not row.histology.exists()}
    services.histology_record(by=f.liora(), referral=referral, lesions=told, document="PATH-2")
    assert (standing(referral).rule, len(standing(referral).lesions)) == ("five_adenomas", 5)


def test_a_report_without_typed_lesions_proposes_nothing_but_keeps_its_finding() -> None:
    referral = f.a_referral("report_due")
    f.report(referral, specimens=2, finding="advanced_adenoma")
    services.histology_record(
        by=f.liora(), referral=referral, histology="Tubular, 12 mm.", finding="advanced_adenoma"
    )
    assert (standing(referral).finding, standing(referral).course) == ("advanced_adenoma", "lesions_missing")
    with pytest.raises(RoundbookError, match="another one than computed"):
        f.sign(referral, finding="nothing", histology="x")
    f.sign(referral, finding="advanced_adenoma", step="surveillance", on=date(2029, 6, 17))


def test_a_lesion_left_in_place_is_removed_first_and_then_counts_once() -> None:
    left = LesionEntry("caecum", 25, "IIa", "adenoma", "biopsy", pot=1)
    referral = examined(left)
    with_histology(referral, TUBULAR)
    assert (standing(referral).rule, standing(referral).course) == ("left_in_place", "early_repeat")
    with pytest.raises(RoundbookError, match="another one than the guideline proposes"):
        f.sign(referral, finding="advanced_adenoma", step="surveillance", on=date(2029, 6, 17))
    services.repeat_plan(by=f.emrik(), referral=referral, on=date(2026, 7, 20), note="Removal in pieces.")
    services.booking_make(
        by=f.liora(), referral=referral, site=f.unit(), day=clock.today(), time=f.HALF_PAST_NINE
    )
    wrong = replace(left, removal="piecemeal", same_as=4)
    with pytest.raises(RoundbookError, match="Same as"):
        f.report(referral, specimens=1, finding="", lesions=[wrong], report_document="REP-2")
    f.report(referral, specimens=1, finding="", lesions=[replace(wrong, same_as=1)], report_document="REP-2")
    told = {row.pk: TUBULAR for row in rows(referral) if not row.histology.exists()}
    services.histology_record(by=f.liora(), referral=referral, lesions=told, document="PATH-2")
    now = standing(referral)
    assert (now.rule, now.lesions, now.months_low) == ("piecemeal_20", [1], 3), "one lesion, not two"


def test_the_signing_form_starts_with_the_histology_of_all_lesions() -> None:
    referral = examined(SMALL, replace(LARGE, size_mm=22))
    with_histology(referral, TUBULAR, HistologyEntry("tubular", "high", clear_margins=False))
    words = (
        "Lesion 2: tubular adenoma, 22 mm, high-grade dysplasia, margins not clear. "
        "Lesion 1: tubular adenoma, 8 mm, low-grade dysplasia, margins clear. (PATH-1)"
    )
    form = SignForm(referral=referral, user=f.emrik(), today=clock.today(), prefix="sign")
    assert form.fields["histology"].initial == words
    assert "with high-grade dysplasia, 10 mm or more, margins not clear" in standing(referral).because
    signed = services.next_step_sign(
        by=f.emrik(), referral=referral, finding="advanced_adenoma", step="surveillance", words="In three years.",
        on=clock.today() + timedelta(days=1096), deviation="As talked over.",
    )  # fmt: skip
    assert signed.histology == words, "what the doctor's letter prints"
