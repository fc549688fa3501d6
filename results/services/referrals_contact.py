"""Reaching the person: who holds a referral, contact attempts, and the dated waits of the person's own choosing."""

from collections.abc import Sequence
from datetime import date, time, timedelta
from typing import Any

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from results.closing import since_last_talk
from results.follow_up_rules import (
    ASSESS_DAYS,
    ELSEWHERE_CHASES,
    OWN_DATE_DAYS,
    UNDECIDED_DAYS,
    DateRule,
    elsewhere_chase_after,
    histology_wait,
    pause_problem,
)
from results.models import ContactAttempt, Referral
from results.referral_hands import here_on
from results.referral_ladder import Attempt, Channel, LadderPolicy, next_step
from results.services.referrals_attendance import booked_due, booking_let_go
from results.services.referrals_frame import FOLLOWERS, Work, referral_work
from staff import clock
from staff.access import user_holds
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Pool, Role

LADDER = LadderPolicy()
EVENING_FROM = 17
CHANNELS = {
    ContactAttempt.Channel.PHONE: Channel.CALL,
    ContactAttempt.Channel.LETTER: Channel.LETTER,
    ContactAttempt.Channel.TRACKED: Channel.TRACKED_LETTER,
    ContactAttempt.Channel.DOCTOR: Channel.DOCTOR,
    ContactAttempt.Channel.VISIT: Channel.VISIT,
}
LADDER_STATES = frozenset({"to_reach", "undecided", "paused_until", "to_assess", "to_book"})
"""Where a call that reaches nobody is followed by the next step of the ladder."""
WISHES = ("go_on", "think", "call_back", "declines")


def referral_claim(*, by: User, referral: Referral) -> None:
    """Take a referral that nobody holds, or whose owner is away; the loser of a race is told who was faster (code `already_claimed`)."""
    with referral_work(by=by, referral=referral) as work:
        if work.referral.owner_id == by.pk:
            return
        if work.referral.owner_id is not None and _is_here(work.referral.owner_id, work.today):
            who = User.objects.get(pk=work.referral.owner_id).full_name
            raise IllegalMove(
                "already_claimed",
                _("%(who)s was faster and holds this referral now. Take the next one.") % {"who": who},
                who=who,
            )
        _pass_on(work, event="claim", hands={"owner": by})


def referral_hand_back(*, by: User, referral: Referral, note: str = "", seen: int | None = None) -> None:
    """Put a referral back for everybody; date and state stay."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if work.referral.owner_id is None:
            raise IllegalMove(
                "not_claimed", _("Nobody holds this referral, so there is nothing to hand back.")
            )
        pool = Pool.CLINICIANS if work.referral.state == "to_classify" else Pool.COORDINATORS
        _pass_on(work, event="claim", hands={"pool": pool}, note=note)


def referral_hand_over(
    *, by: User, referral: Referral, to: User | None = None, note: str = "", seen: int | None = None
) -> None:  # fmt: skip
    """Give a referral to a colleague, or to the clinicians when no colleague is named; date and state stay."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if to is not None and not (to.is_active and user_holds(to, FOLLOWERS)):
            raise RoundbookError(
                "not_a_follower", _("Choose a coordinator or a clinician with an active account.")
            )
        if to is not None and not _is_here(to.pk, work.today):
            raise RoundbookError(
                "not_here",
                _("%(who)s is away today. Choose a colleague who is here.") % {"who": to.full_name},
            )
        _pass_on(work, event="claim", hands={"owner": to} if to else {"pool": Pool.CLINICIANS}, note=note)


def _is_here(user_id: int, today: date) -> bool:
    return here_on(today).filter(pk=user_id).exists()


def _pass_on(work: Work, *, event: str, hands: dict[str, Any], note: str = "") -> None:
    work.demand(event)
    referral = work.referral
    last = referral.moves.order_by("-seq").values_list("rule", flat=True).first() or ""
    work.move(
        event,
        due_on=referral.due_on or work.today,
        due_time=referral.due_time,
        rule=last,
        note=note,
        hands=hands,
    )


def ladder_attempts(attempts: Sequence[ContactAttempt]) -> list[Attempt]:
    """Contact attempts as the pure ladder reads them."""
    return [
        Attempt(
            on=one.made_on,
            channel=CHANNELS[ContactAttempt.Channel(one.channel)],
            by=one.made_by_id,
            reached=one.outcome == ContactAttempt.Outcome.SPOKE,
            evening=one.made_at.astimezone(clock.zone()).hour >= EVENING_FROM,
        )
        for one in attempts
    ]


def contact_attempt_record(
    *, by: User, referral: Referral, outcome: str, channel: str = ContactAttempt.Channel.PHONE, wish: str = "",
    note: str = "", call_back_on: date | None = None, call_back_at: time | None = None, seen: int | None = None,
) -> ContactAttempt:  # fmt: skip
    """Record one attempt to reach the person and set the next date.

    Without a talk the ladder sets it. After a talk the person's wish does: `go_on`, `think` (at most 14 days),
    `call_back` (with day and time), `declines` (a clinician talks with the person next). A call-back asked for
    through somebody else is kept as well.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        spoke = outcome == ContactAttempt.Outcome.SPOKE
        if spoke and not wish and call_back_on:
            wish = "call_back"
        _attempt_checked(work, spoke=spoke, wish=wish, call_back_on=call_back_on, call_back_at=call_back_at)
        attempt = ContactAttempt.objects.create(
            referral=work.referral, channel=channel, outcome=outcome, note=note, made_at=work.frame.now,
            made_on=work.today, made_by=by,
        )  # fmt: skip
        if call_back_on is not None and wish in {"", "call_back"}:
            _stay(work, due_on=call_back_on, due_time=call_back_at, rule=DateRule.CALL_BACK, reason=wish)
        elif work.referral.state not in LADDER_STATES and wish in {"", "go_on"}:
            due, rule = _own_date(work)
            _stay(work, due_on=due, rule=rule, reason=wish)
        elif spoke:
            _after_talk(work, wish, call_back_on)
        else:
            _stay(work, due_on=_by_ladder(work), rule=DateRule.LADDER)
    return attempt


def _own_date(work: Work) -> tuple[date, str]:
    """The date that the state itself calls for: a call on the way changes nothing about it."""
    booking = work.referral.bookings.filter(status="booked").first()
    if work.referral.state == "booked" and booking is not None:
        return booked_due(work, booking)
    last = work.referral.moves.order_by("-seq").values_list("rule", flat=True).first() or ""
    return max(work.referral.due_on or work.today, work.today), last


def _attempt_checked(
    work: Work, *, spoke: bool, wish: str, call_back_on: date | None, call_back_at: time | None
) -> None:  # fmt: skip
    if work.referral.state == "closed":
        raise IllegalMove(
            "closed", _("This referral is closed. Open it again first, then record the contact.")
        )
    if spoke and wish not in WISHES:
        raise RoundbookError(
            "wish_missing", _("Say what the person wants: go on, think about it, be called back, or decline.")
        )
    if wish == "call_back" and (call_back_on is None or call_back_at is None):
        raise RoundbookError("call_back_needs_time", _("Write the day and the time of day of the call-back."))
    if call_back_on is None:
        return
    limit = UNDECIDED_DAYS if wish == "think" else OWN_DATE_DAYS
    if not work.today <= call_back_on <= work.today + timedelta(days=limit):
        raise RoundbookError(
            "date_out_of_reach",
            _("Choose a day from today and at most %(n)s days ahead.") % {"n": limit},
            limit=limit,
        )


def _stay(work: Work, *, due_on: date, rule: str, due_time: time | None = None, reason: str = "") -> None:
    """Keep the state and change the date, as an attempt where the table knows one."""
    event = "attempt" if work.allows("attempt") else "reschedule"
    work.move(event, due_on=due_on, due_time=due_time, rule=rule, reason=reason)


def _by_ladder(work: Work) -> date:
    """The day of the next attempt: counted from opening, or from the last talk."""
    made = ladder_attempts(list(work.referral.attempts.all()))
    tried = since_last_talk(made)
    talks = [one.on for one in made if one.reached]
    begun = max(talks) if talks else _calling_since(work)
    step = next_step(tried, begun, LADDER, work.closed_days)
    return max(step.due_on, work.today) if step else work.working(1)


def _calling_since(work: Work) -> date:
    last = work.referral.moves.filter(event__in=["open", "reopen"]).order_by("-seq").first()
    return (
        max(work.referral.opened_on, clock.local_day(last.occurred_at)) if last else work.referral.opened_on
    )


def _after_talk(work: Work, wish: str, on: date | None) -> None:
    if wish == "go_on":
        if work.allows("reached"):
            due = work.working(0, after=work.today + timedelta(days=ASSESS_DAYS))
            work.move("reached", due_on=due, rule=DateRule.ASSESS, reason=wish)
        else:
            _stay(work, due_on=work.working(1), rule=DateRule.BOOK, reason=wish)
        return
    event = "undecided" if work.allows("undecided") else ""
    if not event and work.referral.state not in {"undecided", "paused_until"}:
        raise IllegalMove(
            "booked_first",
            _("A date is already requested or booked. Cancel it first, then record what the person wants."),
        )
    if wish == "declines":
        due, rule, hands = work.working(1), DateRule.DECLINES, {"pool": Pool.CLINICIANS}
    else:
        due, rule, hands = on or work.today + timedelta(days=UNDECIDED_DAYS), DateRule.UNDECIDED, None
    if not event:
        event = "attempt" if work.allows("attempt") else "reschedule"
    work.move(event, due_on=due, rule=rule, reason=wish, hands=_kept_by_clinician(work, hands))


def _kept_by_clinician(work: Work, hands: dict[str, Any] | None) -> dict[str, Any] | None:
    """A clinician who holds the referral keeps it when it is clinicians' work."""
    owner = work.referral.owner
    return None if hands and owner is not None and user_holds(owner, [Role.CLINICIAN]) else hands


def referral_undecided(
    *, by: User, referral: Referral, on: date, note: str = "", seen: int | None = None
) -> None:
    """The person is thinking about it until a day, at most 14 days ahead; without a new contact attempt."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if not work.today < on <= work.today + timedelta(days=UNDECIDED_DAYS):
            raise RoundbookError(
                "date_out_of_reach",
                _("Choose a day after today and at most 14 days ahead."),
                limit=UNDECIDED_DAYS,
            )
        event = "undecided" if work.referral.state != "undecided" else "reschedule"
        work.demand(event)
        work.move(event, due_on=on, rule=DateRule.UNDECIDED, reason="think", note=note)


def referral_pause(
    *, by: User, referral: Referral, until: date, note: str, clinical: bool = False, seen: int | None = None
) -> None:  # fmt: skip
    """Pause until a day: the person's own wish for at most 28 days, or (a clinician's call) unfit for up to a year."""
    roles = (Role.CLINICIAN,) if clinical else FOLLOWERS
    with referral_work(by=by, referral=referral, seen=seen, roles=roles) as work:
        problem = pause_problem(until=until, today=work.today, clinical=clinical)
        if problem:
            raise RoundbookError("pause_too_long", problem)
        if not note.strip():
            raise RoundbookError("note_missing", _("Write why the wait is paused."))
        work.demand("pause")
        note = _and_the_unit(work, note)
        work.move(
            "pause", due_on=until, rule=DateRule.PAUSE, reason="unfit" if clinical else "own_wish", note=note
        )


def _and_the_unit(work: Work, note: str) -> str:
    """Cancel the booking that still stands, if any; the note then says that the unit must be told."""
    booking = booking_let_go(work)
    if booking is None:
        return note
    words = _("The booking of %(day)s at %(site)s is cancelled with this: tell the unit.") % {
        "day": date_format(booking.day, "j M Y"),
        "site": booking.site.name,
    }
    return f"{note.strip().rstrip('.')}. {words}"


def referral_resume(*, by: User, referral: Referral, note: str = "", seen: int | None = None) -> None:
    """End a pause, or stop waiting for an outside report: the person is called on the next working day."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        work.demand("resume")
        work.move("resume", due_on=work.working(1), rule=DateRule.RESUME, note=note)


def referral_elsewhere(*, by: User, referral: Referral, where: str, seen: int | None = None) -> None:
    """The person is examined elsewhere: stays open, the report is asked for every 30 days, at last after 180 days."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if not where.strip():
            raise RoundbookError("where_missing", _("Write where the person is examined."))
        work.demand("elsewhere")
        due = work.today + timedelta(days=ELSEWHERE_CHASES[0])
        work.move("elsewhere", due_on=due, rule=DateRule.ELSEWHERE, note=_and_the_unit(work, where))


def referral_chase(*, by: User, referral: Referral, note: str, seen: int | None = None) -> None:
    """Record that the outside report, or the site's answer, was asked for again; the next chase follows.

    Histology missing for 21 days and more goes to the clinicians with the chase (H22).

    After the last chase of an outside report the person is offered our own examination again.
    """
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if work.referral.state != "elsewhere":
            work.demand("reschedule")
            late = work.referral.state == "histology_due" and histology_wait(
                work.referral.days_in_state(work.today)
            )
            hands = _kept_by_clinician(work, {"pool": Pool.CLINICIANS}) if late else None
            work.move(
                "reschedule",
                due_on=work.working(3),
                rule=DateRule.REQUEST,
                reason="chased",
                note=note,
                hands=hands,
            )
            return
        since = clock.local_day(work.referral.state_since or work.frame.now)
        due = elsewhere_chase_after(since, work.today)
        if due is None:
            work.move("resume", due_on=work.working(1), rule=DateRule.RESUME, reason="chased", note=note)
        else:
            work.move("reschedule", due_on=due, rule=DateRule.ELSEWHERE, reason="chased", note=note)


def referral_reschedule(
    *, by: User, referral: Referral, due_on: date, note: str, due_time: time | None = None, seen: int | None = None
) -> None:  # fmt: skip
    """Choose another next date, at most 30 days ahead, and say why; the state stays."""
    with referral_work(by=by, referral=referral, seen=seen) as work:
        if not work.today <= due_on <= work.today + timedelta(days=OWN_DATE_DAYS):
            raise RoundbookError(
                "date_out_of_reach",
                _("Choose a day from today and at most %(n)s days ahead.") % {"n": OWN_DATE_DAYS},
                limit=OWN_DATE_DAYS,
            )
        if not note.strip():
            raise RoundbookError("note_missing", _("Write why another day is better."))
        work.demand("reschedule")
        work.move("reschedule", due_on=due_on, due_time=due_time, rule=DateRule.OWN_DATE, note=note)
