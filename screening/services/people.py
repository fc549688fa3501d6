"""What a person asks for: stops and their end, and a postponement; each ends what waits and sets the next date."""

from datetime import date

from django.utils.translation import gettext as _

from screening.models import Exclusion, Person, PersonNote, Round, Stop, StopScope
from screening.months import add_months
from screening.querysets import members_of, person_by_id
from screening.services.due import due_dates_refresh
from screening.services.stopping import rounds_stop
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User

LONGEST_POSTPONEMENT_MONTHS = 12


def stop_record(*, by: User, person: Person, scope: str, source: str, since: date | None = None) -> Stop:
    """Record that a person stops one thing (R1). Stopping invitations closes a round whose kit is not back.

    It never stops a result, a referral or their letters. Recording an open stop again finds it, also one that stands on a
    record merged into this one.
    """
    if scope not in StopScope.values:
        raise RoundbookError("scope_unknown", _("Choose what is stopped from the list."))
    if not source.strip():
        raise RoundbookError("source_missing", _("Say how we know: a call, a letter, and from whom."))
    with acting(by, reason="stop recorded") as frame:
        Person.objects.select_for_update(of=("self",), no_key=True).get(pk=person.pk)
        day = since or frame.today
        if day > frame.today:
            raise RoundbookError("day_in_future", _("A stop begins today or earlier."))
        open_one = Stop.objects.filter(person__in=members_of(person), scope=scope, ended_on=None)
        if (found := open_one.order_by("since", "pk").first()) is not None:
            return found
        stop = Stop.objects.create(person=person, scope=scope, since=day, source=source.strip()[:120])
        if scope == StopScope.INVITATIONS:
            rounds_stopped(by, person, "declined")
            due_dates_refresh(by=by, person_ids=[person.pk])
    return stop


def stop_end(*, by: User, stop: Stop) -> Stop:
    """Record that a person takes a stop back, from today; who was overdue is due at once."""
    with acting(by, reason="stop ended") as frame:
        stop = Stop.objects.select_for_update().get(pk=stop.pk)
        if stop.ended_on is not None:
            raise IllegalMove("stop_ended", _("This stop has ended already."))
        stop.ended_on = frame.today
        stop.save(update_fields=["ended_on"])
        due_dates_refresh(by=by, person_ids=kept_too(stop.person_id))
    return stop


def kept_too(person_id: int) -> list[int]:
    """A record, and the one it was merged into: whose next date a change to the record may move."""
    kept = person_by_id(person_id)
    return [person_id] if kept is None else [*{person_id, kept.pk}]


def postponement_record(*, by: User, person: Person, until: date, note: str = "") -> Exclusion:
    """Record that a person waits until a day, at most twelve months ahead; a round whose kit is not back closes.

    Sent again with the same end while it is in force, it is answered with the one there is, so that one letter is owed.
    """
    with acting(by, reason="postponement recorded") as frame:
        Person.objects.select_for_update(of=("self",), no_key=True).get(pk=person.pk)
        if until <= frame.today:
            raise RoundbookError("day_not_ahead", _("Choose a day after today."))
        if until > add_months(frame.today, LONGEST_POSTPONEMENT_MONTHS):
            raise RoundbookError(
                "day_too_far", _("Nobody is postponed for more than 12 months. Choose an earlier day.")
            )
        same = Exclusion.objects.filter(person__in=members_of(person), kind="postponed", until=until)
        postponement = same.order_by("since", "pk").first() or Exclusion.objects.create(
            person=person, kind="postponed", since=frame.today, until=until, note=note.strip(), recorded_by=by
        )
        rounds_stopped(by, person, "postponed")
        due_dates_refresh(by=by, person_ids=[person.pk])
    return postponement


def rounds_stopped(by: User, person: Person, reason: str) -> None:
    """Close a person's round whose kit is not back, for a reason that is not a result; whichever of her records it stands on."""
    open_ones = Round.objects.filter(person__in=members_of(person), state__in=["kit_due", "kit_out"])
    if ids := list(open_ones.values_list("pk", flat=True)):
        rounds_stop(by=by, round_ids=ids, reason=reason, rule="R1" if reason == "declined" else "job 2.2")


def stop_of(*, person: Person, stop_id: int) -> Stop:
    """One stop of this person or of a record merged into theirs; RoundbookError when it is not theirs."""
    stop = Stop.objects.filter(person__in=members_of(person), pk=stop_id).first()
    if stop is None:
        raise RoundbookError(
            "stop_unknown", _("This stop does not belong to this person. Open the page again.")
        )
    return stop


def note_write(*, by: User, person: Person, words: str) -> PersonNote:
    """Write down something told on the phone; it is never changed, and changes nothing else."""
    if not words.strip():
        raise RoundbookError("note_missing", _("Write what was said."))
    with acting(by, reason="note about a person") as frame:
        return PersonNote.objects.create(
            person=person, words=words.strip()[:400], written_at=frame.now, written_by=by
        )
