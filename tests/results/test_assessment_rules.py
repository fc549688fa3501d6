"""The questions of an assessment, what it lacks, and what forbids booking, over the whole table (H41, H42, H43)."""

from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations, product

import pytest

from results.assessment_rules import (
    BOOKABLE,
    GROUPS,
    PLANNED,
    QUESTIONS,
    TOLD,
    AssessmentFacts,
    booking_blocks,
    record_gaps,
    valid_until,
)
from results.models import Assessment

WEDNESDAY = date(2026, 6, 17)
CALM = {key: question.expected for key, question in QUESTIONS.items()}
FIT = AssessmentFacts("fit", CALM, preparation="macrogol", made_on=WEDNESDAY)
ASKED_BY_THE_JOB = {
    "anticoagulants", "antiplatelets", "insulin", "iron", "allergies", "pacemaker", "sleep_apnoea", "mobility",
    "kidney_disease", "pregnancy", "consent_doubt", "diabetes", "interpreter", "escort",
}  # fmt: skip
"""Source: section 2.13 of the job and its hazards H41 to H43."""


def codes(facts: AssessmentFacts | None, *, today: date = WEDNESDAY) -> set[str]:
    """The codes of what blocks booking."""
    return {block.code for block in booking_blocks(facts, today=today)}


def hazards(facts: AssessmentFacts) -> set[str]:
    """The hazards of what blocks booking."""
    return {block.hazard for block in booking_blocks(facts, today=WEDNESDAY)} - {""}


def test_every_question_of_the_job_is_asked_once_and_stored() -> None:
    assert set(QUESTIONS) == ASKED_BY_THE_JOB
    assert sorted(key for _title, keys in GROUPS for key in keys) == sorted(QUESTIONS)
    assert {field.name for field in Assessment._meta.fields} >= ASKED_BY_THE_JOB


def test_a_complete_calm_assessment_blocks_nothing() -> None:
    for outcome in ("fit", "alternative"):
        assert booking_blocks(replace(FIT, outcome=outcome), today=WEDNESDAY) == []
    assert codes(replace(FIT, outcome="conditions", plan="Morning list.")) == set()


@pytest.mark.parametrize("outcome", BOOKABLE)
@pytest.mark.parametrize("key", QUESTIONS)
def test_one_missing_answer_blocks_booking_and_names_its_question(key: str, outcome: str) -> None:
    # H41, H42 and H43 of the job: "missing answers", "rule tests", "fixture".
    facts = replace(FIT, outcome=outcome, plan="x", answers=CALM | {key: None})
    (block,) = booking_blocks(facts, today=WEDNESDAY)
    assert (block.code, block.field, block.hazard) == ("unanswered", key, QUESTIONS[key].hazard)
    assert str(QUESTIONS[key].label) in str(block.sentence)
    assert [gap.code for gap in record_gaps(facts, today=WEDNESDAY)] == ["unanswered"]


def test_h41_blood_thinners_platelets_and_insulin_need_a_plan_of_their_own() -> None:
    for key in PLANNED:
        answers = CALM | {key: True} | ({"diabetes": True} if key == "insulin" else {})
        facts = replace(FIT, answers=answers, plan="Something else entirely.")
        assert (codes(facts), hazards(facts)) == ({"plan_missing"}, {"H41"})
        assert codes(replace(facts, medicine_plan="As agreed with the doctor.")) == set()
        assert codes(replace(facts, medicine_plan="  ")) == {"plan_missing"}


def test_h41_insulin_without_diabetes_is_a_contradiction() -> None:
    facts = replace(FIT, answers=CALM | {"insulin": True, "diabetes": False}, medicine_plan="halve it")
    assert (codes(facts), hazards(facts)) == ({"contradiction"}, {"H41"})


@pytest.mark.parametrize(
    ("kidney", "preparation", "plan", "code"),
    [
        (False, "macrogol", "", None),
        (False, "magnesium", "", None),
        (False, "phosphate", "", None),
        (False, "other", "", "preparation_unnamed"),
        (False, "other", "Two litres of it.", None),
        (False, "", "", "preparation_missing"),
        (True, "macrogol", "", None),
        (True, "magnesium", "x", "preparation_unsafe"),
        (True, "phosphate", "x", "preparation_unsafe"),
        (True, "other", "x", "preparation_unsafe"),
        (True, "", "x", "preparation_missing"),
    ],
)
def test_h42_kidney_disease_allows_macrogol_only(
    kidney: bool, preparation: str, plan: str, code: str | None
) -> None:
    # Source: ESGE guideline on bowel preparation, Endoscopy 2013; 45: 142-150: in renal failure a preparation with
    # PEG (macrogol) is the only one recommended.
    facts = replace(FIT, answers=CALM | {"kidney_disease": kidney}, preparation=preparation, plan=plan)
    assert codes(facts) == ({code} if code else set())
    assert hazards(facts) == ({"H42"} if code else set())


def test_h43_an_interpreter_is_arranged_before_anything_is_booked() -> None:
    facts = replace(FIT, answers=CALM | {"interpreter": True})
    assert (codes(facts), hazards(facts)) == ({"interpreter_missing"}, {"H43"})
    assert record_gaps(facts, today=WEDNESDAY) == []
    assert codes(replace(facts, interpreted_by="Service, booked for the day")) == set()


@pytest.mark.parametrize("key", TOLD)
def test_what_the_unit_must_know_stands_in_the_plan(key: str) -> None:
    facts = replace(FIT, answers=CALM | {key: not QUESTIONS[key].expected})
    assert codes(facts) == {"plan_missing"}
    assert codes(replace(facts, plan="Told the unit.")) == set()


@pytest.mark.parametrize("key", ["pregnancy", "consent_doubt"])
def test_a_possible_pregnancy_or_a_doubt_about_consent_is_a_doctors(key: str) -> None:
    facts = replace(FIT, answers=CALM | {key: True}, plan="x")
    for outcome in BOOKABLE:
        assert codes(replace(facts, outcome=outcome)) == {"doctor_decides"}
    assert record_gaps(replace(facts, outcome="doctor"), today=WEDNESDAY) == []


def test_conditions_are_written() -> None:
    assert codes(replace(FIT, outcome="conditions")) == {"plan_missing"}


@pytest.mark.parametrize("outcome", sorted(set(Assessment.Outcome.values) - set(BOOKABLE)))
def test_nothing_is_booked_on_any_other_outcome(outcome: str) -> None:
    facts = replace(FIT, outcome=outcome, plan="why", until=WEDNESDAY + timedelta(days=9))
    assert codes(facts) == {"not_bookable"}
    assert record_gaps(facts, today=WEDNESDAY) == []
    assert {gap.code for gap in record_gaps(replace(facts, plan=" "), today=WEDNESDAY)} == {"words_missing"}
    unanswered = replace(facts, answers={})
    assert record_gaps(unanswered, today=WEDNESDAY) == []


@pytest.mark.parametrize(("until", "ok"), [(None, False), (0, False), (-1, False), (1, True)])
def test_unfit_until_has_a_day_after_today(until: int | None, ok: bool) -> None:
    day = None if until is None else WEDNESDAY + timedelta(days=until)
    facts = AssessmentFacts("unfit_until", {}, plan="pneumonia", until=day)
    assert (record_gaps(facts, today=WEDNESDAY) == []) is ok


def test_nothing_is_booked_without_an_assessment() -> None:
    assert codes(None) == {"assessment_missing"}


@pytest.mark.parametrize(("days", "expired"), [(0, False), (55, False), (56, False), (57, True), (400, True)])
def test_an_assessment_holds_for_eight_weeks(days: int, expired: bool) -> None:
    # Source: section 2.13 of the job: 8 weeks, then a brief re-check; common practice, no source.
    today = WEDNESDAY + timedelta(days=days)
    assert (codes(FIT, today=today) == {"expired"}) is expired
    assert valid_until(WEDNESDAY) == date(2026, 8, 12)
    assert all(block.brief for block in booking_blocks(FIT, today=today))


def test_no_pair_of_risks_hides_another() -> None:
    """Over every pair of answers that matter: what one of them asks for is asked for as well with the other."""
    for one, other in combinations(QUESTIONS, 2):
        alone = set()
        for key in (one, other):
            facts = replace(FIT, answers=CALM | {key: not QUESTIONS[key].expected})
            alone |= {str(block.sentence) for block in booking_blocks(facts, today=WEDNESDAY)}
        both = replace(FIT, answers=CALM | {key: not QUESTIONS[key].expected for key in (one, other)})
        told = {str(block.sentence) for block in booking_blocks(both, today=WEDNESDAY)}
        cured = {"Insulin without diabetes cannot be: correct one of the two answers."}
        assert alone - told <= (cured if {one, other} == {"diabetes", "insulin"} else set()), (one, other)


def test_blank_words_are_no_words() -> None:
    for blank, outcome in product(["", " ", "\n"], BOOKABLE):
        facts = replace(
            FIT, outcome=outcome, plan=blank, medicine_plan=blank, interpreted_by=blank,
            answers=CALM | {"anticoagulants": True, "interpreter": True, "escort": False},
        )  # fmt: skip
        assert {"plan_missing", "interpreter_missing"} <= codes(facts)
