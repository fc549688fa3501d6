"""Asking a second person who is somewhere else: a change waits until they agree, and is done as they do (R14)."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _

from results.models import AskedSecond, LookBack, Reading, Result, Run
from results.services.authorise_amend import result_amend, result_withdraw
from results.services.look_back import look_back_act
from results.services.runs import run_resolve
from staff.access import require_role
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import NonWorkingDay, User
from staff.roles import Role
from staff.working_days import working_days_after

Kind = AskedSecond.Kind


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: a kind, the one thing it is about, and what is to be done with it."""

    kind: str
    words: str
    result: Result | None = None
    reading: Reading | None = None
    run: Run | None = None
    look_back: LookBack | None = None
    chosen: str = ""
    rows: tuple[int, ...] = ()


def questions_open() -> QuerySet[AskedSecond]:
    """What waits for a second person, the longest waiting first."""
    return AskedSecond.objects.filter(verdict="").select_related(
        "result__sample", "reading__run__analyser", "run__analyser", "look_back", "asked_by"
    ).order_by("due_on", "pk")  # fmt: skip


def second_ask(*, by: User, question: Question) -> AskedSecond:
    """Ask; nothing changes yet. It is due on the next working day; one open question a result and a run."""
    require_role(by, Role.LABORATORY)
    if not question.words.strip():
        raise RoundbookError("reason_missing", _("Write why, so that the second person can judge it."))
    try:
        with acting(by, reason=question.words.strip()) as frame, transaction.atomic():
            closed = set(
                NonWorkingDay.objects.filter(site=None, day__gt=frame.today).values_list("day", flat=True)
            )
            return AskedSecond.objects.create(
                kind=question.kind, result=question.result, reading=question.reading, run=question.run,
                look_back=question.look_back, chosen=question.chosen, rows=list(question.rows),
                words=question.words.strip(), asked_by=by, asked_at=frame.now, due_on=working_days_after(frame.today, 1, closed),
            )  # fmt: skip
    except IntegrityError as error:
        raise RoundbookError(
            "asked_already", _("A question about this waits for a second person already. Let it be decided first.")
        ) from error  # fmt: skip


def second_decide(*, by: User, asked_id: int, agree: bool, note: str = "") -> AskedSecond:
    """Agree, and the change is made in the same transaction; or refuse, with a note.

    What the facts no longer allow is refused as it would be at the first person's screen, and the question stays open.
    """
    require_role(by, Role.LABORATORY, Role.CLINICIAN)
    if not agree and not note.strip():
        raise RoundbookError("note_missing", _("Write why you do not agree."))
    with transaction.atomic():
        asked = _open(asked_id)
        if asked.asked_by_id == by.pk:
            raise RoundbookError("second_person", _("You asked, so somebody else decides."))
        if agree:
            _DONE[asked.kind](asked, by)
        return _closed(asked, by, AskedSecond.Verdict.AGREED if agree else AskedSecond.Verdict.REFUSED, note)


def second_ask_take_back(*, by: User, asked_id: int) -> AskedSecond:
    """The one who asked no longer does."""
    with transaction.atomic():
        asked = _open(asked_id)
        if asked.asked_by_id != by.pk:
            raise RoundbookError("not_yours", _("Only the one who asked can take the question back."))
        return _closed(asked, by, AskedSecond.Verdict.TAKEN_BACK, "")


def _open(asked_id: int) -> AskedSecond:
    locked = AskedSecond.objects.select_for_update(of=("self",), no_key=True).select_related("asked_by")
    asked = locked.get(pk=asked_id)
    if asked.verdict:
        raise IllegalMove("asked_decided", _("This question has been decided already."))
    return asked


def _closed(asked: AskedSecond, by: User, verdict: str, note: str) -> AskedSecond:
    with acting(by, reason=note.strip() or f"asked second: {verdict}") as frame:
        asked.verdict, asked.decided_by, asked.decided_at, asked.note = verdict, by, frame.now, note.strip()
        asked.save(update_fields=["verdict", "decided_by", "decided_at", "note"])
    return asked


def _amend(asked: AskedSecond, second: User) -> None:
    result = cast(Result, asked.result)
    result_amend(by=asked.asked_by, result=result, reason=asked.words, second=second, reading=asked.reading)


def _withdraw(asked: AskedSecond, second: User) -> None:
    result = cast(Result, asked.result)
    result_withdraw(by=asked.asked_by, result=result, reason=asked.words, second=second)


def _settle(asked: AskedSecond, second: User) -> None:
    run = cast(Run, asked.run)
    run_resolve(
        by=asked.asked_by, run=run, resolution=asked.words, second=second, retest=asked.chosen == "retest"
    )


def _look_back(asked: AskedSecond, second: User) -> None:
    look_back = cast(LookBack, asked.look_back)
    look_back_act(
        by=asked.asked_by, look_back=look_back, row_ids=asked.rows, action=asked.chosen, words=asked.words,
        second=second,
    )  # fmt: skip


_DONE: dict[str, Callable[[AskedSecond, User], None]] = {
    Kind.AMEND: _amend, Kind.WITHDRAW: _withdraw, Kind.SETTLE: _settle, Kind.LOOK_BACK: _look_back,
}  # fmt: skip
