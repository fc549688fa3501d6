"""The laboratory's days of the demo region: each is there to be seen in charts, hold lists and the watch (job 12.8)."""

from datetime import date, timedelta

import pytest

from oversight.models import Rehearsal
from oversight.rehearsal.engine import first_day_for, rehearse
from results.models import (
    AssessmentRound,
    ControlComment,
    ControlReading,
    InboxLine,
    Reading,
    Run,
    Sample,
)
from results.services.runs_controls import run_sentence
from results.services.watch import assessment_told

pytestmark = [pytest.mark.timeout(600), pytest.mark.xdist_group("rehearsal")]
TODAY = date(2026, 6, 17)


def test_a_control_lot_expired_by_one_day_opens_no_run(small_region: Rehearsal) -> None:
    assert small_region.summary["control lots refused"] == 1
    assert not ControlReading.objects.filter(control__lot="CL100").exists()


def test_a_gap_in_the_running_numbers_held_the_lines_until_it_was_explained(small_region: Rehearsal) -> None:
    held = small_region.summary["lines held by a gap"]
    explained = InboxLine.objects.filter(sentence__contains="wash of the analyser")
    assert held == explained.count() > 0
    assert set(explained.values_list("verdict", flat=True)) == {"taken"}
    first = explained.order_by("line")[0]
    readings = Reading.objects.filter(file_id=first.file_id).order_by("running_number")
    numbers = readings.values_list("running_number", flat=True)
    assert list(numbers) == [1, *range(3, held + 3)]


def test_the_cuvette_drift_shows_in_the_chart_and_was_looked_into(small_region: Rehearsal) -> None:
    days = [small_region.first_day + timedelta(weeks=8, days=n) for n in (0, 2, 7, 9)]
    rows = ControlReading.objects.filter(run__analyser__code="Q1", run__day__in=days).order_by("pk")
    assert all(0 < row.z < 2 and row.in_control for row in rows)
    # 5 % of 90 and of 480 ng/mL are 0.8 and 1.1 of the targets' SDs.
    assert min(row.z for row in rows if row.control.level == 2) > 1
    hits = [row for row in rows if row.rule]
    assert next(row.rule for row in hits) in {"4-1s", "10x"}, "one of the two rules for a trend"
    assert "10x" in {row.rule for row in hits}
    assert all("CV11 is set apart" in row.comments.get().words for row in hits)


def test_the_hot_spell_stands_beside_the_controls_of_its_days(small_region: Rehearsal) -> None:
    first = small_region.first_day + timedelta(weeks=23)
    told = ControlComment.objects.filter(words__contains="Hot spell").select_related("reading__run")
    days = [one.reading.run.day for one in told]
    assert days
    assert all(first <= day < first + timedelta(days=5) for day in days)


def test_the_external_assessment_is_on_the_page_watch(small_region: Rehearsal) -> None:
    told = {row.number: assessment_told(row) for row in AssessmentRound.objects.all()}
    assert told["round 1"] is not None
    assert told["round 2"] is not None
    assert [round(told[n][0], 1) for n in ("round 1", "round 2")] == [0.4, 2.4]  # type: ignore[index]
    due = AssessmentRound.objects.get(number="round 3")
    assert (told["round 3"], due.value) == (None, None)
    assert due.due_on > small_region.today
    assert "Watched in the next round" in AssessmentRound.objects.get(number="round 2").action


@pytest.mark.usefixtures("fresh_db")
def test_the_last_day_leaves_a_held_run_to_settle() -> None:
    until = first_day_for(TODAY) + timedelta(weeks=4)
    rehearse(invited_people=240, seed=26, today=TODAY, until=until, tell=lambda _words, _share: None)
    (run,) = Run.objects.filter(status="held", resolution="")
    assert run.day == until
    assert "1-3s" in run_sentence(run)
    held = Sample.objects.filter(state="held")
    assert held.exists()
    assert set(held.values_list("readings__run", flat=True)) == {run.pk}
