"""What happens after an examination: the calls at 14 and 30 days, adverse events and what the committee says of them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet
from django.utils.translation import gettext_lazy as _

from results.models import AdverseEvent, AfterCall, EventJudgement, Examination, Referral
from staff.access import require_role
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Role

MARKS = (14, 30)
FORGOTTEN_AFTER = 90
"""Days after an examination until which its calls stand on the list; later only the events themselves are entered."""
LATE_AFTER = {14: 19, 30: 35}
"""Days after the examination from which a call counts as late: common practice, no source."""
FOLLOWERS = (Role.COORDINATOR, Role.CLINICIAN)


def adverse_event_record(
    *,
    by: User,
    examination: Examination,
    kind: str,
    severity: str,
    happened_on: date,
    source: str,
    words: str,
) -> AdverseEvent:
    """Write down harm after an examination, however late it is heard of.

    RoundbookError for a day before the examination or still to come, or without a source and words.
    """
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        if not examination.day <= happened_on <= frame.today:
            raise RoundbookError(
                "day_does_not_fit", _("The event lies between the examination and today. Check the day.")
            )
        if not words.strip() or not source.strip():
            raise RoundbookError("words_missing", _("Write what happened and who told it."))
        return AdverseEvent.objects.create(
            examination=examination, kind=kind, severity=severity, happened_on=happened_on, source=source.strip()[:80],
            words=words.strip(), entered_on=frame.today, entered_by=by,
        )  # fmt: skip


def event_judge(*, by: User, event: AdverseEvent, cause: str, words: str) -> EventJudgement:
    """A clinician enters what the committee says of an event; an earlier judgement stays in the history.

    RoundbookError without grounds.
    """
    require_role(by, Role.CLINICIAN)
    if not words.strip():
        raise RoundbookError("grounds_missing", _("Write on what grounds."))
    with acting(by) as frame:
        return EventJudgement.objects.create(
            event=event, cause=cause, words=words.strip(), judged_on=frame.today, judged_by=by
        )


def after_call_record(
    *,
    by: User,
    examination: Examination,
    mark: int,
    answer: str,
    note: str = "",
    event: Mapping[str, Any] | None = None,
) -> AfterCall:
    """The answer to the call 14 or 30 days after an examination; something that happened is entered with it.

    `event` holds the facts of `adverse_event_record`. RoundbookError before its day, for a call that is answered, and for
    an event that is not described.
    """
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        Referral.objects.select_for_update(no_key=True).get(pk=examination.referral_id)
        if mark not in MARKS or frame.today < examination.day + timedelta(days=mark):
            raise RoundbookError("too_early", _("The day of this call has not come yet."))
        if answered(examination, mark):
            raise IllegalMove("answered", _("This call was answered already. Look at the page again."))
        if (answer == AfterCall.Answer.EVENT) != bool(event):
            raise RoundbookError("event_missing", _("Describe what happened, or choose another answer."))
        told = adverse_event_record(by=by, examination=examination, **event) if event else None
        return AfterCall.objects.create(
            examination=examination,
            mark=mark,
            answer=answer,
            event=told,
            note=note.strip(),
            made_on=frame.today,
            made_by=by,
        )


def answered(examination: Examination, mark: int) -> bool:
    """Whether the question was answered at this mark."""
    return AfterCall.objects.filter(examination=examination, mark=mark).exclude(answer="not_reached").exists()


@dataclass(frozen=True, slots=True)
class CallDue:
    """One call to make: which examination, which mark, since when, and whether it is late."""

    examination: Examination
    mark: int
    due_on: date
    late: bool


def _due(mark: int, today: date) -> QuerySet[Examination]:
    answers = AfterCall.objects.filter(examination=OuterRef("pk"), mark=mark).exclude(answer="not_reached")
    days = (today - timedelta(days=FORGOTTEN_AFTER), today - timedelta(days=mark))
    found = Examination.objects.filter(
        ~Exists(answers), day__range=days, kind="colonoscopy", referral__person__deceased_on__isnull=True
    )
    if mark == MARKS[0]:
        found = found.filter(day__gt=today - timedelta(days=MARKS[1]))
    return found.select_related("referral__person", "site").order_by("day", "pk")


def calls_due(today: date, *, most: int = 500) -> list[CallDue]:
    """The calls to make today, longest waiting first; once day 30 has come only that call is asked for."""
    found = [
        CallDue(one, mark, one.day + timedelta(days=mark), (today - one.day).days >= LATE_AFTER[mark])
        for mark in MARKS
        for one in _due(mark, today)[:most]
    ]
    return sorted(found, key=lambda call: (call.due_on, call.examination.pk))


def calls_due_count(today: date) -> int:
    """How many calls wait."""
    return sum(_due(mark, today).count() for mark in MARKS)
