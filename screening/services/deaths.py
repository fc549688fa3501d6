"""A death reported by hand, or taken back: one person asks, another decides; nothing is sent meanwhile."""

from datetime import date, timedelta

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from screening.models import DeathQuestion, Exclusion, ExclusionKind, FieldCorrection, Person, Round
from screening.services.due import due_dates_refresh
from screening.services.stopping import rounds_stop
from staff.acting import Acting, acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import User

STOPPED_BY_DEATH = ("kit_due", "kit_out", "result_due")
HELD = "a question of death is open"


def death_ask(*, by: User, person: Person, kind: str, source: str, day: date | None = None) -> DeathQuestion:
    """Say that a person died, or that a recorded death is an error. From now on nothing is sent; another person decides."""
    if not source.strip():
        raise RoundbookError("source_missing", _("Say how we know: a call, a letter, and from whom."))
    with acting(by, reason="question of death") as frame:
        person = Person.objects.select_for_update(of=("self",), no_key=True).get(pk=person.pk)
        _fits(person, kind, day, frame.today)
        if DeathQuestion.objects.filter(person=person, decided_by=None).exists():
            raise IllegalMove(
                "question_open", _("Somebody asked this already; a second person has to decide.")
            )
        if kind == DeathQuestion.Kind.DIED:
            _hold(person, frame)
            due_dates_refresh(by=by, person_ids=[person.pk])
        return DeathQuestion.objects.create(
            person=person, kind=kind, day=day if kind == DeathQuestion.Kind.DIED else person.deceased_on,
            source=source.strip()[:200], asked_by=by, asked_at=frame.now,
        )  # fmt: skip


def _fits(person: Person, kind: str, day: date | None, today: date) -> None:
    if kind not in DeathQuestion.Kind.values:
        raise RoundbookError("kind_unknown", _("Choose from the list."))
    if kind == DeathQuestion.Kind.LIVES and person.deceased_on is None:
        raise IllegalMove("not_dead", _("By the book this person lives."))
    if kind == DeathQuestion.Kind.DIED:
        if person.deceased_on is not None:
            raise IllegalMove("dead_already", _("The death is in the book already."))
        if day is None or day > today or (person.birth_date and day < person.birth_date):
            raise RoundbookError("day_wrong", _("Give the day of death, today or earlier."))


def _hold(person: Person, frame: Acting) -> None:
    Exclusion.objects.create(person=person, kind=ExclusionKind.TO_LOOK_AT, since=frame.today, note=HELD)


def death_decide(*, by: User, question: DeathQuestion, agree: bool) -> DeathQuestion:
    """A second person agrees or not. Taken back: the person lives again, dates are computed anew, and she waits to be looked at.

    Not agreed: only the hold of this very question ends; one of an earlier death in error waits on to be looked at.
    NotAllowed for the one who asked; the death that was taken back is not brought back by the same entry of the register.
    """
    with acting(by, reason="question of death decided") as frame:
        question = DeathQuestion.objects.select_for_update(of=("self",)).get(pk=question.pk)
        person = Person.objects.select_for_update(of=("self",), no_key=True).get(pk=question.person_id)
        if question.decided_by_id is not None:
            raise IllegalMove("decided", _("This was decided already."))
        if question.asked_by_id == by.pk:
            raise NotAllowed("second_person", _("Somebody else than the one who asked must decide."))
        question.decided_by, question.decided_at, question.agreed = by, frame.now, agree
        question.save()
        if agree and question.kind == DeathQuestion.Kind.DIED:
            _has_died(person, question, frame)
        elif agree:
            _lives(person, question, frame)
        elif question.kind == DeathQuestion.Kind.DIED:
            _let_go(_open_holds(person).filter(note=HELD), frame)
        due_dates_refresh(by=by, person_ids=[person.pk])
    return question


def _has_died(person: Person, question: DeathQuestion, frame: Acting) -> None:
    _let_go(_open_holds(person), frame)
    Person.objects.filter(pk=person.pk).update(deceased_on=question.day, next_due_on=None)
    ids = Round.objects.filter(person=person, state__in=STOPPED_BY_DEATH).values_list("pk", flat=True)
    if ids:
        rounds_stop(by=frame.by, round_ids=list(ids), reason="died", rule="job 2.1")


def _lives(person: Person, question: DeathQuestion, frame: Acting) -> None:
    FieldCorrection.objects.filter(person=person, field="deceased_on", ended_on=None).update(
        ended_on=frame.today
    )
    FieldCorrection.objects.create(
        person=person, field="deceased_on", value="", feed_value=str(question.day or person.deceased_on or ""),
        since=frame.today, made_by=frame.by, note=question.source,
    )  # fmt: skip
    Person.objects.filter(pk=person.pk).update(deceased_on=None)
    Exclusion.objects.create(
        person=person, kind=ExclusionKind.TO_LOOK_AT, since=frame.today, note=_("death reported in error")
    )


def _open_holds(person: Person) -> "QuerySet[Exclusion]":
    """What holds this person until somebody has looked; the hold of an open question is told by its note."""
    return Exclusion.objects.filter(person=person, kind=ExclusionKind.TO_LOOK_AT, until=None)


def _let_go(holds: "QuerySet[Exclusion]", frame: Acting) -> None:
    for one in holds:
        one.until = max(frame.today, one.since + timedelta(days=1))
        one.save(update_fields=["until"])


def deaths_to_decide() -> "QuerySet[DeathQuestion]":
    """The questions that wait for a second person, the oldest first."""
    open_ones = DeathQuestion.objects.filter(decided_by=None).select_related("person", "asked_by")
    return open_ones.order_by("asked_at", "pk")
