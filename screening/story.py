"""A person's story, newest first, told from the ledgers of rounds, kits and returns and from stops and exclusions."""

from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Q
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from screening.models import (
    DeathQuestion,
    Exclusion,
    KitMove,
    Person,
    PersonMerge,
    PersonNote,
    ReturnMove,
    RoundMove,
    Sex,
    Stop,
)
from screening.querysets import members_of
from screening.recorded import Change, Corrected, changes_of, corrections_of
from screening.states import ROUND_CLOSE_REASONS
from staff import clock
from staff.models import Move

ROUND_WORDS = {
    "open": (gettext_lazy("Invited: a kit is to be sent"), "letter"),
    "kit_sent": (gettext_lazy("Kit handed to the post"), "kit"),
    "kit_gone": (gettext_lazy("The kit is gone; another one is needed"), "warn"),
    "kit_back": (gettext_lazy("The kit came back"), "kit"),
    "kit_back_undone": (gettext_lazy("The scan of the kit was undone"), "quiet"),
    "unsuitable": (gettext_lazy("The kit could not be measured; another one is needed"), "warn"),
    "below": (gettext_lazy("Round closed: result below the cutoff"), "ok"),
    "at_or_above": (gettext_lazy("More tests needed: handed to the coordinators"), "note"),
    "conclude": (gettext_lazy("Follow-up concluded, round closed"), "ok"),
    "close": (gettext_lazy("Round closed"), "quiet"),
    "late_kit": (gettext_lazy("A late kit came; the round is open again"), "kit"),
    "raise": (gettext_lazy("More tests needed after all: handed to the coordinators"), "note"),
    "withdraw": (gettext_lazy("The result was withdrawn"), "warn"),
    "reschedule": (gettext_lazy("Date or owner of the round changed"), "calendar"),
}
KIT_WORDS = {
    "lost": (gettext_lazy("The kit was reported lost"), "warn"),
    "undelivered": (gettext_lazy("The post brought the kit back undelivered"), "warn"),
}
RETURN_WORDS = {
    "set_aside": (gettext_lazy("The returned kit was set aside"), "warn"),
    "solve": (gettext_lazy("The set-aside kit was cleared for the bench"), "ok"),
    "accept": (gettext_lazy("The returned kit was accepted for the bench"), "ok"),
    "reject": (gettext_lazy("The returned kit is unsuitable"), "warn"),
}
ADDRESS = ("address_1", "address_2", "locality", "postcode")
"""What of a person with a hidden address is never put on a screen."""


@dataclass(frozen=True)
class Event:
    """One line of a story."""

    at: datetime
    when: date | datetime
    sentence: str
    who: str = ""
    reason: str = ""
    tone: str = "quiet"
    icon: str = "quiet"
    step: int = 0


def person_story(person: Person) -> list[Event]:
    """Everything the books of this part know to have happened, newest first."""
    members = members_of(person)
    rounds = RoundMove.objects.filter(subject__person__in=members).select_related("actor")
    kits = KitMove.objects.filter(subject__round__person__in=members, event__in=KIT_WORDS).select_related(
        "actor", "subject"
    )
    returns = ReturnMove.objects.filter(
        subject__kit__round__person__in=members, event__in=RETURN_WORDS
    ).select_related("actor")
    events = [_told(move, ROUND_WORDS) for move in rounds]
    events += [_told(move, KIT_WORDS) for move in kits]
    events += [_told(move, RETURN_WORDS) for move in returns]
    events += _stops(members)
    events += _exclusions(members)
    for note in PersonNote.objects.filter(person__in=members).select_related("written_by"):
        said = _("Note: %(words)s") % {"words": note.words}
        events.append(Event(note.written_at, note.written_at, said, note.written_by.full_name, icon="note"))
    events += _by_hand(members)
    for day, ending in ((person.deceased_on, _("Died")), (person.left_area_on, _("Left the area"))):
        if day:
            events.append(_dated(day, ending, _("from the register"), "quiet"))
    events.reverse()  # of what was written at the same moment, what was told later comes first
    return sorted(events, key=lambda e: (e.at, e.step), reverse=True)


def _stops(members: list[int]) -> list[Event]:
    """Stops and their ends, as they were recorded."""
    events = []
    for change in changes_of(Stop, members):
        stop, before = change.row, change.before
        words = {"what": stop.get_scope_display()}
        if before is None:
            since = _since(stop.since, change.at)
            events.append(
                _changed(change, _("Does not want: %(what)s") % words, (stop.source, since), "stop")
            )
            if stop.ended_on:
                events.append(_dated(stop.ended_on, _("Wants again: %(what)s") % words, "", "ok"))
        elif stop.ended_on and not before.ended_on:
            events.append(_changed(change, _("Wants again: %(what)s") % words, (), "ok"))
    return events


def _exclusions(members: list[int]) -> list[Event]:
    """Postponements and exclusions, how long they were to last, and what became of them."""
    events = []
    for change in changes_of(Exclusion, members):
        held, before = change.row, change.before
        words = {"what": held.get_kind_display()}
        until = _("until %(day)s") % {"day": date_format(held.until)} if held.until else ""
        if before is None:
            since = _since(held.since, change.at)
            events.append(_changed(change, str(words["what"]), (since, until), "calendar"))
        elif held.confirmed and not before.confirmed:
            events.append(_changed(change, _("Confirmed for good: %(what)s") % words, (), "calendar"))
        elif held.until != before.until:
            why = held.note.removeprefix(before.note).strip()
            events.append(_changed(change, _("End set: %(what)s") % words, (until, why), "calendar"))
    return events


def _since(day: date, recorded: datetime) -> str:
    """The day from which something holds, in words where it is not the day on which it was recorded."""
    return "" if clock.local_day(recorded) == day else _("since %(day)s") % {"day": date_format(day)}


def _changed(change: Change, sentence: str, reasons: tuple[str, ...], icon: str) -> Event:
    reason = "; ".join(part for part in reasons if part)
    return Event(change.at, change.when, sentence, change.who, reason, icon=icon)


def _by_hand(members: list[int]) -> list[Event]:
    """Corrections, questions of death, and records put together or told apart."""
    events = []
    hidden = Person.objects.filter(pk__in=members, hidden_address=True).exists()
    for made in corrections_of(members):
        words, c = _correction_told(made, hidden=hidden), made.correction
        events.append(Event(made.at, made.when, words, c.made_by.full_name, c.note, icon="note"))
    for q in DeathQuestion.objects.filter(person__in=members).select_related("asked_by", "decided_by"):
        said = {"what": q.get_kind_display()}
        events.append(
            Event(
                q.asked_at,
                q.asked_at,
                _("Asked: %(what)s") % said,
                q.asked_by.full_name,
                q.source,
                icon="warn",
            )
        )
        if q.decided_at and q.decided_by:
            answer = _("Agreed: %(what)s") if q.agreed else _("Not agreed: %(what)s")
            events.append(
                Event(q.decided_at, q.decided_at, answer % said, q.decided_by.full_name, icon="note")
            )
    for m in PersonMerge.objects.filter(Q(kept__in=members) | Q(merged__in=members), agreed=True):
        if m.decided_at is None:
            continue
        events.append(
            Event(
                m.decided_at,
                m.decided_at,
                _("Two records put together"),
                m.asked_by.full_name,
                m.why,
                icon="note",
            )
        )
        if m.undone_at and m.undone_by:
            events.append(
                Event(
                    m.undone_at,
                    m.undone_at,
                    _("Two records told apart again"),
                    m.undone_by.full_name,
                    m.undone_why,
                    icon="warn",
                )
            )
    return events


def _correction_told(made: Corrected, *, hidden: bool) -> str:
    """What was corrected, from what to what; of a hidden address only that it was."""
    field = made.correction.field
    what = Person._meta.get_field(field).verbose_name  # type: ignore[union-attr]
    if hidden and field in ADDRESS:
        return _("Corrected by hand: %(what)s") % {"what": what}
    return _("Corrected by hand: %(what)s, from %(old)s to %(new)s") % {
        "what": what, "old": _fact_words(field, made.old), "new": _fact_words(field, made.correction.value),
    }  # fmt: skip


def _fact_words(field: str, value: str) -> str:
    if not value:
        return _("nothing")
    if field == "sex":
        value = str(dict(Sex.choices).get(value, value))
    elif field in {"birth_date", "deceased_on"}:
        value = date_format(date.fromisoformat(value))
    return _("“%(words)s”") % {"words": value}


def _told(move: Move, words: dict) -> Event:
    sentence, icon = words.get(move.event, (move.event, "quiet"))
    reason = str(ROUND_CLOSE_REASONS.get(move.reason, "")) if move.event == "close" else ""
    note = "; ".join(part for part in (reason, move.note) if part)
    return Event(
        move.occurred_at,
        move.occurred_at,
        str(sentence),
        move.actor.full_name,
        note,
        icon=icon,
        step=move.seq,
    )


def _dated(day: date, sentence: str, reason: str, icon: str) -> Event:
    return Event(clock.moment(day), day, sentence, reason=reason, icon=icon)
