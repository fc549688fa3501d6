"""Where the stories come in at each desk of a rehearsal: what is scanned, answered, measured, done besides and taken up."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from oversight.rehearsal.followup import Way
from oversight.rehearsal.stories.base import Story
from oversight.rehearsal.stories.book import STORIES
from oversight.rehearsal.stories.scene import Scene, working
from results.models import Reading, Result
from screening.models import Kit, PersonIdentifier, Return
from screening.services.intake_solve import Answer

if TYPE_CHECKING:
    from oversight.rehearsal.crew import Stage
    from oversight.rehearsal.follow_work import Follow
    from results.models import Referral

WAY = Way(
    ending="examined", attempts=1, contact_after=2, assess_after=8, examine_after=22, misses=False, prep_fails=False,
    incomplete=False, anticoagulants=False, finding="nothing", specimens=0, histology_after=9,
)  # fmt: skip
"""The way of everybody cast who is at or above, before the story's own."""


def story_of(stage: Stage, row: int | None) -> Story | None:
    """The story this row plays, if any."""
    number = None if row is None else stage.cast.story_of.get(row)
    return None if number is None else STORIES[number]


def sent_seen(stage: Stage, row: int, day: date) -> None:
    """The first kit of this person left today: write what follows from it into the diary."""
    story = story_of(stage, row)
    if story is not None:
        stage.diary.sent[row] = day
        for days, act in story.after_sent:
            stage.diary.days[working(day + timedelta(days=days))].append((row, act))


def arrival_told(stage: Stage, row: int, sent: date, drawn: date) -> date:
    """When a kit comes back: those of a pair in one sack, on the Monday two weeks after their week; others as planned."""
    story = story_of(stage, row)
    return sent + timedelta(days=14 - sent.weekday()) if story is not None and story.pair else drawn


def day_keyed(stage: Stage, serial: str) -> str:
    """What the desk keys for this label, where a story says so; a replacement is labelled well."""
    row = stage.row_of_serial.get(serial)
    story = story_of(stage, row)
    if row is None or story is None or story.keyed is None or Kit.objects.get(serial=serial).ordinal != 1:
        return ""
    return story.keyed(stage.diary.sent[row])


def answer_to(stage: Stage, aside: Return, told: date | None) -> dict[str, Any] | None:
    """The answer that a story gives to a set-aside; None where no story speaks, empty where it was solved with another."""
    row = stage.row_of_serial.get(aside.kit.serial)
    story = story_of(stage, row)
    if row is None or story is None or not story.answer:
        return None
    if story.answer == Answer.SWAPPED:
        first, second = stage.cast.rows[story.number]
        if row != first:
            return {}
        other = next(serial for serial, one in stage.row_of_serial.items() if one == second)
        return {"answer": Answer.SWAPPED, "other_serial": other}
    day = told.isoformat() if told and story.answer == Answer.DAY_TOLD else ""
    return {"answer": story.answer, "day": day}


def as_measured(stage: Stage, serial: str) -> tuple[str, str] | None:
    """The value and flag of this story's next measurement; None: as drawn. Notes that the row was on the bench."""
    row = stage.row_of_serial[serial]
    story = story_of(stage, row)
    if story is None:
        return None
    stage.diary.measured.add(row)
    if not story.readings:
        return None
    if len(story.readings) == 1:
        return story.readings[0]
    round_ = Kit.objects.get(serial=serial).round_id
    so_far = Result.objects.filter(round=round_).count()
    so_far += Reading.objects.filter(sample__round=round_).exclude(flag="").count()
    return story.readings[min(so_far, len(story.readings) - 1)]


def acts_due(stage: Stage, day: date) -> None:
    """Do what this desk's diary holds for today."""
    for row, act in stage.diary.days.pop(day, []):
        act(Scene(stage, row, day))


def acts_after_release(stage: Stage, day: date) -> None:
    """Do what stories do after the bulk release at the bench, before the mail."""
    measured, stage.diary.measured = stage.diary.measured, set()
    for row in sorted(measured):
        story, scene = story_of(stage, row), Scene(stage, row, day)
        if story is None or not story.after_result:
            continue
        _result_told(story, scene)


def acts_on_decision(stage: Stage, person_id: int, day: date) -> None:
    """Do what a story does when the laboratory lead has released its result, in the transaction of the release."""
    if not stage.cast.story_of:
        return
    number = PersonIdentifier.objects.get(
        person=person_id, scheme=PersonIdentifier.REGISTER, valid_to=None
    ).value
    row = stage.plan.row_of_number.get(number)
    story = story_of(stage, row)
    if row is not None and story is not None and story.after_result:
        _result_told(story, Scene(stage, row, day))


def _result_told(story: Story, scene: Scene) -> None:
    """The act that belongs to the first, second … result, where that one was released today."""
    released = Result.objects.filter(person=scene.person)
    nth = released.count() if released.filter(authorised_on=scene.day).exists() else 0
    act = story.after_result[nth - 1] if 0 < nth <= len(story.after_result) else None
    if act is not None:
        act(scene)


def way_told(stage: Stage, row: int, drawn: Way) -> Way:
    """The way a story takes in place of the drawn one."""
    story = story_of(stage, row)
    return drawn if story is None else replace(WAY, **story.way)


def taken_up(stage: Stage, follow: Follow, referral: Referral, way: Way, day: date) -> bool:
    """Whether a story took this referral up today in its own way."""
    if not stage.cast.story_of:
        return False
    story = story_of(stage, follow.rows.get(referral.pk))
    step = story.steps.get(referral.state) if story is not None else None
    return step is not None and step(stage, follow, referral, way, day)
