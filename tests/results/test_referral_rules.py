"""The pure rules between opening and closing: assessments, reports, next steps, pauses, chases."""

from datetime import date, timedelta
from itertools import product

import pytest

from results.follow_up_rules import (
    CANCERS,
    RULE_WORDS,
    SERIOUSNESS,
    WAIT_LOOK,
    DateRule,
    ExaminationFacts,
    elsewhere_chase_after,
    examination_problems,
    histology_wait,
    needs_another_examination,
    next_step_problems,
    pause_problem,
)
from results.models import FindingClass
from results.referral_ladder import WaitLevel

WEDNESDAY = date(2026, 6, 17)


@pytest.mark.parametrize(
    ("complete", "adequate", "specimens", "finding"),
    list(product([True, False], [True, False], [0, 2], SERIOUSNESS)),
)
def test_where_a_report_leads(complete: bool, adequate: bool, specimens: int, finding: str) -> None:
    """Over the whole table: incomplete or badly prepared is never "no abnormality" and never ends anything (H21)."""
    facts = ExaminationFacts(WEDNESDAY, complete, adequate, specimens, finding)
    refused = finding == "nothing" and (specimens > 0 or not (complete and adequate))
    assert bool(examination_problems(facts, today=WEDNESDAY)) is refused
    for step in ("screening", "surveillance"):
        problems = next_step_problems(
            step=step,
            on=WEDNESDAY + timedelta(days=700),
            finding=finding,
            last=facts,
            histology="seen",
            today=WEDNESDAY,
        )
        assert bool(problems) is (not (complete and adequate) or (step == "screening" and finding in CANCERS))


def test_an_interval_needs_its_day_in_the_future_and_its_histology() -> None:
    clean = ExaminationFacts(WEDNESDAY, True, True, 0, "nothing")
    cut = ExaminationFacts(WEDNESDAY, True, True, 1, "non_advanced")
    later = WEDNESDAY + timedelta(days=700)
    ask = {"finding": "nothing", "today": WEDNESDAY, "histology": ""}
    assert next_step_problems(step="screening", on=later, last=clean, **ask) == []
    assert next_step_problems(step="screening", on=WEDNESDAY, last=clean, **ask)
    assert next_step_problems(step="surveillance", on=None, last=clean, **ask)
    assert next_step_problems(step="screening", on=later, last=None, **ask)
    assert next_step_problems(step="screening", on=later, last=cut, **(ask | {"finding": "non_advanced"}))


def test_every_rule_and_every_level_has_its_words() -> None:
    assert set(RULE_WORDS) == set(DateRule)
    assert set(WAIT_LOOK) == set(WaitLevel)
    assert set(SERIOUSNESS) == set(FindingClass.values)


@pytest.mark.parametrize(
    ("days", "clinical", "allowed"),
    [
        (0, False, False),
        (1, False, True),
        (28, False, True),
        (29, False, False),
        (365, True, True),
        (366, True, False),
    ],
)
def test_how_long_a_pause_may_last(days: int, clinical: bool, allowed: bool) -> None:
    # Source: common practice, no source.
    until = WEDNESDAY + timedelta(days=days)
    assert (pause_problem(until=until, today=WEDNESDAY, clinical=clinical) is None) is allowed


@pytest.mark.parametrize(
    ("waited", "chase"),
    [(0, 30), (29, 30), (30, 60), (60, 90), (90, 120), (120, 150), (179, 180), (180, None)],
)
def test_when_an_outside_report_is_asked_for(waited: int, chase: int | None) -> None:
    # Source: common practice, no source.
    expected = None if chase is None else WEDNESDAY + timedelta(days=chase)
    assert elsewhere_chase_after(WEDNESDAY, WEDNESDAY + timedelta(days=waited)) == expected


def test_what_needs_another_examination() -> None:
    for complete, adequate, finding in product([True, False], [True, False], SERIOUSNESS):
        facts = ExaminationFacts(WEDNESDAY, complete, adequate, 0, finding)
        assert needs_another_examination(facts) is (not (complete and adequate) and finding not in CANCERS)


@pytest.mark.parametrize(
    ("days", "tone"), [(0, None), (20, None), (21, "warn"), (41, "warn"), (42, "stop"), (43, "stop")]
)
def test_missing_histology_is_escalated_after_21_days_and_an_alarm_after_42(
    days: int, tone: str | None
) -> None:
    # “chase 10, escalate 21, alarm 42”: the job's section 2.15; H22.
    found = histology_wait(days)
    assert (found[0] if found else None) == tone
    assert found is None or str(days) in str(found[1])
