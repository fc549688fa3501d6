"""Who looks and who may sign in, in a rehearsal: records opened with a reason, the auditor's reviews, the manager's confirmations."""

from datetime import date
from typing import TYPE_CHECKING

from screening.access import person_open_with_reason
from screening.models import Person
from screening.services.looks import (
    look_follow_up,
    look_review,
    looks_in_order,
    looks_to_review,
    looks_unanswered,
)
from staff.models import Purpose
from staff.services.confirmations import accounts_confirm, accounts_live

if TYPE_CHECKING:
    from oversight.rehearsal.crew import Stage

MONDAY, TUESDAY, THURSDAY = 0, 1, 3
CONFIRMED_EVERY_WEEKS, CONFIRMED_IN_WEEK = 6, 4
WITHOUT_WORDS_EVERY_WEEKS, WITHOUT_WORDS_IN_WEEK = 9, 8
WORDS = (
    (Purpose.CALL, "her daughter rang about the next kit"),
    (Purpose.CHECK, "practice asked whether the address is right"),
    (Purpose.CALL, "rang: is the kit still good after a week?"),
    (Purpose.CHECK, "letter returned, looked for the new address"),
    (Purpose.CALL, "wants the leaflet in large print"),
)


def day_of_access(stage: "Stage", day: date) -> None:
    """One working day: two looks with a reason a week, read by the auditor on Monday; accounts confirmed every six weeks."""
    week = (day - stage.plan.first_day).days // 7
    if day.weekday() in {TUESDAY, THURSDAY}:
        _opened(stage, week, day.weekday())
    if day.weekday() == MONDAY:
        _followed_up(stage)
        _reviewed(stage)
        if week % CONFIRMED_EVERY_WEEKS == CONFIRMED_IN_WEEK:
            _confirmed(stage)


def _opened(stage: "Stage", week: int, weekday: int) -> None:
    """Somebody who is on nobody's list; once in nine weeks without a word why."""
    crew = stage.crew
    by = crew.office if weekday == TUESDAY else crew.coordinator
    nth = 1 + (week * 37 + weekday * 11) % max(len(stage.plan.numbers) // 2, 1)
    person = Person.objects.filter(pk__gte=nth, merged_into=None).order_by("pk").first()
    if person is None:
        return
    purpose, words = WORDS[(week + weekday) % len(WORDS)]
    silent = weekday == THURSDAY and week % WITHOUT_WORDS_EVERY_WEEKS == WITHOUT_WORDS_IN_WEEK
    person_open_with_reason(
        by=by,
        person_id=person.pk,
        purpose=Purpose.CHECK if silent else purpose,
        words="" if silent else words,
    )


def _reviewed(stage: "Stage") -> None:
    auditor = stage.crew.auditor
    waiting = [row.look for row in looks_to_review(by=auditor)]
    for look in waiting:
        if not look.words:
            words = "No words, and no call from this person or the practice that day."
            look_review(by=auditor, look=look, in_order=False, words=words)
    if told := [look.pk for look in waiting if look.words]:
        looks_in_order(by=auditor, look_ids=told)


def _followed_up(stage: "Stage") -> None:
    """What the auditor found a week ago, answered by the manager."""
    manager = stage.crew.manager
    for row in looks_unanswered(by=manager):
        words = "Talked with them: a wrong record was opened and closed again. They know to write why."
        look_follow_up(by=manager, review=row.review, words=words)


def _confirmed(stage: "Stage") -> None:
    """The manager goes through everybody's account; the administrator confirms the manager's."""
    manager, administrator = stage.crew.manager, stage.crew.administrator
    ids = [row.user.pk for row in accounts_live(by=manager) if row.ours]
    accounts_confirm(by=manager, user_ids=ids, words="gone through with the sites")
    accounts_confirm(by=administrator, user_ids=[manager.pk])
