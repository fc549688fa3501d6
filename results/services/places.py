"""Places on the lists we keep: held for a person until an evening, booked, let go, and lapsed by themselves.

Locks are taken in one order: the referral, then the unit's calendar. Whatever happens beside, the database refuses two
live places on one point (`no_point_of_a_list_twice`).
"""

from datetime import date, datetime, timedelta
from typing import Any

from django.db import connection
from django.db.backends.postgresql.psycopg_any import NumericRange
from django.db.models import Q
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.calendar_board import Choice, board_read
from results.calendar_rules import HOLD_HOUR, HOLD_WORKING_DAYS, MOST_HOLDS, Needs, time_of
from results.follow_up_rules import DateRule
from results.models import Booking, ClinicList, ListPlace, Referral, UnitCalendar
from results.services.referrals_assessment import demand_bookable, latest_assessment
from results.services.referrals_booking import booking_write
from results.services.referrals_frame import Work, referral_work
from staff import clock
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool

BOOKABLE_STATES = ("to_book", "requested", "repeat_planned")


def needs_of(referral: Referral) -> Needs:
    """What the latest assessment says the list must be able to do: a bed without an escort home, an interpreter."""
    made = latest_assessment(referral)
    if made is None:
        return Needs()
    return Needs(bed=made.escort is False, interpreter=made.interpreter is True)


def is_urgent(state: str, waited_days: int, alarm_days: int) -> bool:
    """Whether the reserve may be used: for another examination, and for whoever waits past the alarm."""
    return state == "repeat_planned" or waited_days >= alarm_days


def place_hold(
    *, by: User, referral: Referral, clinic_list: ClinicList, first: int | None = None, needs: Needs | None = None,
    urgent: bool = False, seen: int | None = None,
) -> ListPlace:  # fmt: skip
    """Hold a place until the evening of the second working day; at most two at once, for a choice.

    `first`: the point the reader saw; None takes the first that fits. RoundbookError `place_taken` when somebody was
    faster, `reserved` when only the reserve is left.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        work.demand("book")
        demand_bookable(work)
        if work.referral.places.filter(status=ListPlace.Status.HELD).count() >= MOST_HOLDS:
            raise RoundbookError(
                "enough_held",
                _("%(n)s places are held for this person already. Let one go first.") % {"n": MOST_HOLDS},
            )
        needs = needs_of(work.referral) if needs is None else needs
        choice = _choice_locked(work, clinic_list, first, needs, urgent)
        until = _held_until(work, choice.list.day)
        place = _place(work, choice, needs, urgent, status=ListPlace.Status.HELD, held_until=until)
        words = f"{choice.list.site.name}, {date_format(choice.list.day, 'j M Y')}, {choice.at:%H:%M}"
        due = max(work.today, clock.local_day(until))
        work.move(_stay(work), due_on=due, rule=DateRule.HELD, reason="place_held", note=words)
    return place


def place_book(
    *, by: User, referral: Referral, clinic_list: ClinicList, first: int | None = None, needs: Needs | None = None,
    urgent: bool = False, agreed: bool = True, note: str = "", seen: int | None = None,
) -> Booking:  # fmt: skip
    """Book a free place at once; what was held for the person is let go."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        work.demand("book")
        needs = needs_of(work.referral) if needs is None else needs
        choice = _choice_locked(work, clinic_list, first, needs, urgent)
        return booked_on(work, choice, needs, urgent, agreed=agreed, note=note)


def booked_on(
    work: Work, choice: Choice, needs: Needs, urgent: bool, *, agreed: bool, note: str = ""
) -> Booking:
    """The booking and its place, with the unit's calendar under lock; other held places are let go."""
    let_go_held(work)
    made = booking_write(
        work, site=choice.list.site, day=choice.list.day, at=choice.at, note=note, agreed=agreed
    )
    _place(work, choice, needs, urgent, status=ListPlace.Status.BOOKED, booking=made)
    return made


def held_place_book(
    *, by: User, place: ListPlace, agreed: bool = True, note: str = "", seen: int | None = None
) -> Booking:
    """The person takes a held place; refused when it lapsed."""
    with referral_work(by=by, referral=place.referral, seen=seen) as work:
        work.demand("book")
        locked = _held_locked(work, place)
        let_go_held(work, but=locked)
        at = time_of(locked.list.starts, locked.list.minutes, locked.points.lower)
        made = booking_write(
            work, site=locked.list.site, day=locked.list.day, at=at, note=note, agreed=agreed
        )
        locked.status, locked.booking, locked.held_until = ListPlace.Status.BOOKED, made, None
        locked.save(update_fields=["status", "booking", "held_until"])
    return made


def place_let_go(*, by: User, place: ListPlace, seen: int | None = None) -> None:
    """Let a held place go; others can have it at once."""
    with referral_work(by=by, referral=place.referral, seen=seen) as work:
        locked = _held_locked(work, place)
        locked.status = ListPlace.Status.LET_GO
        locked.save(update_fields=["status"])
        others = work.referral.places.filter(status=ListPlace.Status.HELD).order_by("held_until").first()
        due = work.working(1) if others is None else clock.local_day(others.held_until or work.frame.now)
        rule = DateRule.BOOK if others is None else DateRule.HELD
        work.move(_stay(work), due_on=max(due, work.today), rule=rule, reason="place_let_go")


def let_go_held(work: Work, *, but: ListPlace | None = None) -> int:
    """Let the held places of a referral go, but for one; returns how many."""
    held = work.referral.places.filter(status=ListPlace.Status.HELD)
    if but is not None:
        held = held.exclude(pk=but.pk)
    return held.update(status=ListPlace.Status.LET_GO)


def _stay(work: Work) -> str:
    work.demand("reschedule")
    return "reschedule"


def _held_until(work: Work, day: date) -> datetime:
    """The evening of the second working day, but never later than the evening before the list."""
    last = min(work.working(HOLD_WORKING_DAYS), day - timedelta(days=1))
    return max(clock.moment(last, HOLD_HOUR), work.frame.now + timedelta(minutes=30))


def _held_locked(work: Work, place: ListPlace) -> ListPlace:
    locked = ListPlace.objects.select_for_update(of=("self",)).select_related("list__site").get(pk=place.pk)
    if locked.status != ListPlace.Status.HELD or (locked.held_until or work.frame.now) < work.frame.now:
        raise IllegalMove(
            "place_lapsed", _("This place is no longer held: it lapsed or was let go. Choose another one.")
        )
    return locked


def _choice_locked(
    work: Work, clinic_list: ClinicList, first: int | None, needs: Needs, urgent: bool
) -> Choice:
    """The place, looked at again under the lock of the unit's calendar."""
    calendar_locked(clinic_list.site_id)
    places_lapse_on(work.frame.now, list_id=clinic_list.pk)
    board = board_read(work.today, since=clinic_list.day, until=clinic_list.day, site_id=clinic_list.site_id)
    one = next((found for found in board.lists if found.pk == clinic_list.pk), None)
    if one is None or one.day <= work.today:
        raise RoundbookError(
            "list_gone", _("This list was cancelled or its day has come. Choose another place.")
        )
    if board.gap(one, needs, urgent=True, at=first) is None:
        raise RoundbookError(
            "place_taken", _("Somebody was faster: this place is taken. Choose another one.")
        )
    points = board.gap(one, needs, urgent=urgent, at=first)
    if points is None:
        raise RoundbookError(
            "reserved",
            _(
                "What is left of this week is kept back for urgent and repeat examinations. Choose another week, or"
                " say that this is urgent."
            ),
        )
    return Choice(one, points, time_of(one.starts, one.minutes, points[0]), None)


def calendar_locked(site_id: int) -> UnitCalendar:
    """Lock a unit's calendar: places on its lists are given one after another."""
    return UnitCalendar.objects.select_for_update().get(site_id=site_id)


def _place(
    work: Work, choice: Choice, needs: Needs, urgent: bool, *, status: str, held_until: datetime | None = None,
    booking: Booking | None = None,
) -> ListPlace:  # fmt: skip
    return ListPlace.objects.create(
        list=choice.list, referral=work.referral, points=NumericRange(*choice.points), status=status,
        held_until=held_until, booking=booking, theatre=needs.theatre, bed=needs.bed, interpreter=needs.interpreter,
        urgent=urgent, made_at=work.frame.now, made_by=work.by,
    )  # fmt: skip


def places_lapse_on(moment: datetime, *, list_id: int) -> int:
    """Let the held places of one list lapse whose moment has passed; their people are moved by `places_lapse`."""
    held = ListPlace.objects.filter(list_id=list_id, status=ListPlace.Status.HELD, held_until__lte=moment)
    return held.update(status=ListPlace.Status.LAPSED)


_LAPSED_UNTOLD = """
SELECT DISTINCT s.id FROM results_referral s
JOIN results_listplace p ON p.referral_id = s.id AND p.status = 'lapsed'
WHERE s.state IN ('to_book', 'requested', 'repeat_planned')
  AND NOT EXISTS (SELECT 1 FROM results_listplace h WHERE h.referral_id = s.id AND h.status IN ('held', 'booked'))
  AND (SELECT m.rule FROM results_referralmove m WHERE m.subject_id = s.id AND m.seq = s.last_seq) = 'held'
"""


def places_lapse(*, by: User) -> int:
    """Let every held place lapse whose moment has passed, and make its people due today: others are offered to them.

    Safe to run twice and at once, and to kill half-way: whoever's last word was a hold that lapsed is found again.
    Returns how many people became due.
    """
    with acting(by) as frame:
        due = ListPlace.objects.filter(status=ListPlace.Status.HELD, held_until__lte=frame.now)
        found = Referral.objects.filter(Q(pk__in=due.values("referral")) | Q(pk__in=_untold()))
        ids = list(
            found.order_by("pk").select_for_update(no_key=True, skip_locked=True).values_list("pk", flat=True)
        )
        due.filter(referral__in=ids).update(status=ListPlace.Status.LAPSED)
        if not ids:
            return 0
        return make_moves(
            ledger_of(Referral), "reschedule",
            source=f"SELECT s.id FROM results_referral s WHERE s.id = ANY(%(ids)s) AND s.id IN ({_LAPSED_UNTOLD})",
            params={"ids": ids, "today": frame.today},
            values={
                "due_on": "%(today)s::date", "owner_id": "s.owner_id", "reason": "'place_lapsed'",
                "pool": f"CASE WHEN s.owner_id IS NULL THEN '{Pool.COORDINATORS.value}' ELSE '' END",
                "rule": f"'{DateRule.LAPSED.value}'",
            },
        )  # fmt: skip


def _untold() -> list[int]:
    """Referrals whose last word is a hold that has lapsed since."""
    with connection.cursor() as cursor:
        cursor.execute(_LAPSED_UNTOLD)
        return [pk for (pk,) in cursor.fetchall()]


def standing_places(referral: Referral) -> list[ListPlace]:
    """The held and booked places of a referral, by day."""
    found = referral.places.filter(status__in=ListPlace.LIVE).select_related("list__site", "booking")
    return list(found.order_by("list__day", "pk"))


def place_words(place: ListPlace) -> dict[str, Any]:
    """A place as pages show it."""
    at = time_of(place.list.starts, place.list.minutes, place.points.lower)
    return {"place": place, "site": place.list.site.name, "day": place.list.day, "at": at}
