"""When a list or a unit falls away: nobody's date is lost from sight, each person gets a next date and an owner.

Cancelling is two steps, so that it is safe to kill half-way: the list is cancelled (from then on the database gives no
place on it), then its people are settled; whoever is still on a cancelled list is found and settled by the sweep.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.backends.postgresql.psycopg_any import NumericRange
from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from results.assessment_rules import booking_blocks
from results.calendar_board import Board, Choice, board_read
from results.calendar_rules import Needs, Waiting, in_order_of_waiting
from results.follow_up_rules import DateRule
from results.models import Assessment, Booking, ClinicList, ListPlace, Referral, ReferralMove, UnitCalendar
from results.services.places import is_urgent
from results.services.referrals_assessment import facts_of
from results.services.referrals_frame import (
    FOLLOWERS,
    closed_days_from,
    results_policy_on,
)
from results.services.referrals_hands import hands_locked
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import Site, User
from staff.roles import Pool
from staff.working_days import working_days_after

LIST_CANCELLED, UNIT_CLOSED = "list_cancelled", "unit_closed"
TAKEN_AWAY = (LIST_CANCELLED, UNIT_CLOSED)


def list_cancel(*, by: User, clinic_list: ClinicList, why: str) -> int:
    """Cancel one list; returns how many people lost a booked day with it and are due on the next working day."""
    return _cancelled(by, ClinicList.objects.filter(pk=clinic_list.pk), why, LIST_CANCELLED)


def unit_close(*, by: User, site: Site, since: date, until: date, why: str) -> int:
    """Close a unit for a span: its lists are cancelled, and every standing booking of those days, whoever made it.

    Whoever waits for a date from this unit is due on the next working day. Returns how many people lost a booked day.
    """
    with acting(by) as frame:
        if since < frame.today or until < since:
            raise RoundbookError(
                "span_out_of_reach", gettext_lazy("Choose a span that begins today or later.")
            )
    lists = ClinicList.objects.filter(site=site, day__range=(since, until))
    people = _cancelled(by, lists, why, UNIT_CLOSED)
    with acting(by) as frame:
        rest = Booking.objects.filter(site=site, status=Booking.Status.BOOKED, day__range=(since, until))
        asked = _asked_there(site)
        locked = hands_locked(Q(pk__in=rest.values("referral")) | Q(pk__in=asked))
        people += _bookings_fall(frame, rest.filter(referral__in=locked), UNIT_CLOSED, why)
        _due_next(frame, list(asked.filter(pk__in=locked)), "reschedule", UNIT_CLOSED, why)
    return people


def _cancelled(by: User, lists: QuerySet[ClinicList], why: str, reason: str) -> int:
    require_role(by, *FOLLOWERS)
    if not why.strip():
        raise RoundbookError("note_missing", gettext_lazy("Write why, as the people concerned will be told."))
    with acting(by) as frame:
        list(UnitCalendar.objects.select_for_update().filter(site__in=lists.values("site")).order_by("pk"))
        standing = lists.filter(cancelled_at__isnull=True, day__gte=frame.today)
        standing.update(cancelled_at=frame.now, cancelled_by=by, why=why)
    return people_of_cancelled_settle(by=by, lists=lists, reason=reason)


def people_of_cancelled_settle(
    *, by: User, lists: QuerySet[ClinicList] | None = None, reason: str = LIST_CANCELLED
) -> int:
    """Settle everybody who still has a place on a cancelled list; safe to run twice and at once.

    Only who was locked at the start is settled: a list cancelled meanwhile has a settling of its own, and a lock taken
    later, out of order, would let the two wait for each other.
    """
    gone = (lists if lists is not None else ClinicList.objects).filter(cancelled_at__isnull=False)
    with acting(by) as frame:
        places = ListPlace.objects.filter(list__in=gone, status__in=ListPlace.LIVE)
        locked = hands_locked(Q(pk__in=places.values("referral")))
        if not locked:
            return 0
        places = places.filter(referral__in=locked)
        held = places.filter(status=ListPlace.Status.HELD)
        _holds_fall(frame, list(held.values_list("referral", flat=True)))
        why = (
            ClinicList.objects.filter(places__in=places)
            .order_by("-cancelled_at")
            .values_list("why", flat=True)
        )
        words = next(iter(why[:1]), "")
        return _bookings_fall(frame, Booking.objects.filter(pk__in=places.values("booking")), reason, words)


def _holds_fall(frame: Acting, referral_ids: Sequence[int]) -> None:
    """Held places of cancelled lists are let go, and their people due on the next working day."""
    gone = ListPlace.objects.filter(
        referral__in=referral_ids, status=ListPlace.Status.HELD, list__cancelled_at__isnull=False
    )
    gone.update(status=ListPlace.Status.LET_GO)
    _due_next(frame, referral_ids, "reschedule", "place_let_go", "")


def _bookings_fall(frame: Acting, bookings: QuerySet[Booking], reason: str, why: str) -> int:
    """These bookings are cancelled by the unit; their people are back at “book”, due on the next working day."""
    ids = list(bookings.filter(status=Booking.Status.BOOKED).values_list("pk", flat=True))
    referrals = hands_locked(Q(pk__in=Booking.objects.filter(pk__in=ids).values("referral"), state="booked"))
    standing = Booking.objects.filter(pk__in=ids, status=Booking.Status.BOOKED, referral__in=referrals)
    fallen = list(standing.values_list("pk", flat=True))
    standing.update(status=Booking.Status.CANCELLED_SITE)
    ListPlace.objects.filter(booking__in=fallen).update(status=ListPlace.Status.LET_GO)
    return _due_next(frame, referrals, "unbook", reason, why)


def _due_next(frame: Acting, ids: Sequence[int], event: str, reason: str, note: str) -> int:
    if not ids:
        return 0
    due = working_days_after(frame.today, 1, closed_days_from(frame.today))
    return make_moves(
        ledger_of(Referral), event, source="SELECT unnest(%(ids)s::bigint[]) AS id",
        params={"ids": list(dict.fromkeys(ids)), "due": due, "reason": reason, "note": note},
        values={
            "due_on": "%(due)s::date", "owner_id": "s.owner_id", "reason": "%(reason)s", "note": "%(note)s",
            "pool": f"CASE WHEN s.owner_id IS NULL THEN '{Pool.COORDINATORS.value}' ELSE '' END",
            "rule": f"'{DateRule.CANCELLED.value}'",
        },
    )  # fmt: skip


def _asked_there(site: Site) -> "QuerySet[Referral, int]":
    """Whoever waits for a date from this unit: due on the next working day when it closes, as another is asked."""
    last = ReferralMove.objects.filter(subject=OuterRef("pk"), event="request", reason=site.code)
    return Referral.objects.filter(Exists(last), state="requested").values_list("pk", flat=True)


@dataclass(frozen=True, slots=True)
class Moved:
    """What the planner of a bulk move proposes for one person, or why it cannot."""

    referral: Referral
    was: Booking | None
    choice: Choice | None
    needs: Needs
    urgent: bool
    why_not: str = ""

    @property
    def days_later(self) -> int | None:
        """Days by which the examination moves."""
        return (self.choice.list.day - self.was.day).days if self.choice and self.was else None


def people_to_move() -> QuerySet[Referral]:
    """Everybody whose day was taken away and who has no other yet, who has waited longest first."""
    last = (
        ReferralMove.objects.filter(subject=OuterRef("pk"), event="unbook").order_by("-seq").values("reason")
    )
    held = ListPlace.objects.filter(referral=OuterRef("pk"), status__in=ListPlace.LIVE)
    return (
        Referral.objects.annotate(lost=Subquery(last[:1]))
        .filter(~Exists(held), lost__in=TAKEN_AWAY, state="to_book")
        .select_related("person__area", "owner")
        .order_by("opened_on", "pk")
    )


def moves_planned(
    people: Iterable[Referral], *, today: date, board: Board | None = None, most_minutes: int | None = None
) -> list[Moved]:
    """The earliest fitting place for each, urgent ones and who waited longest first; nothing is written."""
    rows = {one.pk: one for one in people}
    policy = results_policy_on(today)
    board = board or board_read(today)
    was = {
        one.referral_id: one
        for one in Booking.objects.filter(referral__in=rows).select_related("site", "place").order_by("pk")
    }
    waiting = [
        Waiting(
            pk, _needs_before(was.get(pk)), one.opened_on,
            is_urgent(one.state, (today - one.opened_on).days, policy.alarm_days),
        )
        for pk, one in rows.items()
    ]  # fmt: skip
    assessed = {one.referral_id: one for one in Assessment.objects.filter(referral__in=rows).order_by("pk")}
    planned = []
    for one in in_order_of_waiting(waiting):
        referral = rows[one.referral_id]
        blocks = booking_blocks(facts_of(assessed.get(referral.pk)), today=today)
        choice = None
        if not blocks:
            area = referral.person.area_id
            found = board.choices(one.needs, area_id=area, urgent=one.urgent, most_minutes=most_minutes)
            choice = next(found, None)
        why_not = str(blocks[0].sentence) if blocks else "" if choice else _("No fitting place is free.")
        planned.append(Moved(referral, was.get(referral.pk), choice, one.needs, one.urgent, why_not))
        if choice is not None:
            board.take(choice)
    return planned


def _needs_before(booking: Booking | None) -> Needs:
    place = getattr(booking, "place", None) if booking else None
    return Needs(place.theatre, place.bed, place.interpreter) if place else Needs()


def people_move(*, by: User, referral_ids: Sequence[int]) -> tuple[int, int]:
    """Give each of these people the earliest fitting place; not confirmed yet: each is asked, and told in writing.

    Planned again under the locks of the units' calendars, then written in sets. Whoever cannot be placed keeps the next
    date and owner that the cancelling gave. Returns how many were moved, and how many were not.
    """
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        ids = hands_locked(Q(pk__in=list(referral_ids), state="to_book"))
        list(UnitCalendar.objects.select_for_update().order_by("pk").values_list("pk", flat=True))
        people = people_to_move().filter(pk__in=ids)
        planned = [one for one in moves_planned(people, today=frame.today) if one.choice is not None]
        _moves_written(frame, planned)
    return len(planned), len(set(referral_ids)) - len(planned)


def _moves_written(frame: Acting, planned: Sequence[Moved]) -> None:
    booked = []
    for one in planned:
        assert one.choice is not None  # noqa: S101 - people_move leaves the others out
        booked.append(
            Booking(
                referral=one.referral, site=one.choice.list.site, day=one.choice.list.day, time=one.choice.at,
                made_by=frame.by, made_on=frame.today,
            )
        )  # fmt: skip
    Booking.objects.bulk_create(booked)
    ListPlace.objects.bulk_create(
        ListPlace(
            list=one.choice.list, referral=one.referral, points=NumericRange(*one.choice.points), booking=booking,
            status=ListPlace.Status.BOOKED, theatre=one.needs.theatre, bed=one.needs.bed,
            interpreter=one.needs.interpreter, urgent=one.urgent, made_at=frame.now, made_by=frame.by,
        )
        for one, booking in zip(planned, booked, strict=True) if one.choice is not None
    )  # fmt: skip
    closed = closed_days_from(frame.today)
    notes = [f"{b.site.name}, {date_format(b.day, 'j M Y')}, {b.time:%H:%M}." for b in booked]
    promise = results_policy_on(frame.today).examination_days
    late = [(b.day - b.referral.opened_on).days > promise for b in booked]
    make_moves(
        ledger_of(Referral), "book",
        source="SELECT * FROM unnest(%(ids)s::bigint[], %(due)s::date[], %(notes)s::text[], %(late)s::boolean[])"
        " AS x (id, due, note, late)",
        params={
            "ids": [b.referral_id for b in booked], "due": [asked_on(b.day, frame.today, closed) for b in booked],
            "notes": notes, "late": late,
        },
        values={
            "due_on": "w.due", "owner_id": "s.owner_id", "note": "w.note",
            "reason": "CASE WHEN w.late THEN 'past_promise' ELSE '' END",
            "pool": f"CASE WHEN s.owner_id IS NULL THEN '{Pool.COORDINATORS.value}' ELSE '' END",
            "rule": f"'{DateRule.CONFIRM.value}'",
        },
    )  # fmt: skip


def asked_on(day: date, today: date, closed: frozenset[date]) -> date:
    """The next working day: whoever was moved without being asked is asked at once, not three days before."""
    return min(working_days_after(today, 1, closed), day)
