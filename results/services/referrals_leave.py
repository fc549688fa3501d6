"""Being away: an absence noted, a hand-over planned, begun on its first day, ended after its last; safe to run twice."""

from collections.abc import Sequence
from datetime import date, timedelta

from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from results.models import Absence, HandOver, HandOverLine
from results.referral_hands import FOLLOWERS, absences_on, followers, here_on
from results.referral_queue import open_referrals
from results.services.referrals_hands import hands_locked, hands_pass
from staff import clock
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Pool

LEAVE_DAYS = 366


def absence_note(
    *, by: User, user: User, since: date, until: date | None = None, note: str = "", planned: bool = False
) -> Absence:
    """Note that somebody is away from a day, to a day if it is known; what they hold becomes one row of the queue."""
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        _days_checked(user, since, until, frame.today, planned=planned)
        return Absence.objects.create(
            user=user, since=since, until=until, planned=planned, note=note.strip(), noted_by=by,
            noted_at=frame.now,
        )  # fmt: skip


def _days_checked(user: User, since: date, until: date | None, today: date, *, planned: bool) -> None:
    if until is not None and until < since:
        raise RoundbookError(
            "days_reversed", _("The last day away lies before the first. Change one of them.")
        )
    if until is not None and until < today:
        raise RoundbookError("leave_is_over", _("These days are over already."))
    if planned and (since < today or since > today + timedelta(days=LEAVE_DAYS)):
        raise RoundbookError("day_out_of_reach", _("Choose a first day from today and at most a year ahead."))
    if not followers().filter(pk=user.pk).exists():
        raise RoundbookError(
            "not_a_follower", _("Choose a coordinator or a clinician with an active account.")
        )
    overlapping = Absence.objects.filter(user=user).filter(Q(until__isnull=True) | Q(until__gte=since))
    if until is not None:
        overlapping = overlapping.filter(since__lte=until)
    other = overlapping.first()
    if other is not None:
        raise RoundbookError(
            "away_already",
            _(
                "%(who)s is noted as away for these days already. End that absence first, or choose other days."
            )
            % {"who": user.full_name},
            absence=other.pk,
        )


def absence_end(*, by: User, absence: Absence) -> int:
    """The person is back today, or the leave does not take place; returns how many referrals went back."""
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        locked = Absence.objects.select_for_update().select_related("user").get(pk=absence.pk)
        yesterday = frame.today - timedelta(days=1)
        if locked.until is not None and locked.until <= max(yesterday, locked.since - timedelta(days=1)):
            raise IllegalMove("absence_over", _("This absence has ended already."))
        locked.until = max(yesterday, locked.since - timedelta(days=1))
        locked.ended_by = by
        locked.save(update_fields=["until", "ended_by"])
        return sum(
            _ended(frame, one) for one in locked.hand_overs.filter(ended_at__isnull=True).order_by("pk")
        )


def hand_over_plan(
    *, by: User, user: User, since: date, until: date, to: User | None = None, note: str = "",
    referral_ids: Sequence[int] | None = None,
) -> HandOver:  # fmt: skip
    """Plan leave from a day to a day and who follows meanwhile: a colleague, or (nobody named) everybody.

    All that is held on the first day goes, or the chosen ones; it comes back on the first day after the last. Begins
    at once when the first day is today.
    """
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        if to is not None and (to.pk == user.pk or not followers().filter(pk=to.pk).exists()):
            raise RoundbookError("not_a_deputy", _("Choose another coordinator or clinician as the deputy."))
        if to is not None and absences_on(since).filter(user=to).exists():
            raise RoundbookError(
                "deputy_away", _("%(who)s is away on that day. Choose somebody else.") % {"who": to.full_name}
            )
        absence = absence_note(by=by, user=user, since=since, until=until, note=note[:200], planned=True)
        made = HandOver.objects.create(
            absence=absence, to=to, pool="" if to else Pool.COORDINATORS, whole=referral_ids is None, note=note,
            made_by=by, made_at=frame.now,
        )  # fmt: skip
        if referral_ids is not None:
            _chosen(made, user, referral_ids)
        if since <= frame.today:
            _begun(frame, made)
    return made


def _chosen(made: HandOver, user: User, referral_ids: Sequence[int]) -> None:
    held = set(open_referrals().filter(owner=user, pk__in=referral_ids).values_list("pk", flat=True))
    if not held:
        raise RoundbookError("nothing_chosen", _("Choose at least one referral, or hand over everything."))
    if held != set(referral_ids):
        raise RoundbookError(
            "not_held", _("Some of these are in other hands by now. Look at the list again, then choose.")
        )
    HandOverLine.objects.bulk_create(HandOverLine(hand_over=made, referral_id=pk) for pk in sorted(held))


def hand_overs_due(*, by: User) -> int:
    """Begin what begins today and end what is over; each in a transaction of its own. Returns how many changed."""
    today = clock.today()
    begin = Q(begun_at__isnull=True, absence__since__lte=today)
    over = Q(absence__until__lt=today)
    due = (
        HandOver.objects.filter(begin | over, ended_at__isnull=True)
        .order_by("pk")
        .values_list("pk", flat=True)
    )
    changed = 0
    for pk in due:
        with acting(by) as frame:
            one = HandOver.objects.filter(pk=pk).select_related("absence__user").get()
            if one.absence.until is not None and one.absence.until < frame.today:
                _ended(frame, one)
            else:
                _begun(frame, one)
            changed += 1
    return changed


def _begun(frame: Acting, made: HandOver) -> int:
    """Move what is handed over, once; what has changed hands since it was chosen is left where it is.

    A deputy who is away, or no longer follows up, gets nothing: it goes to the coordinators' pool instead.
    """
    locked = (
        HandOver.objects.select_for_update(of=("self",)).select_related("absence__user", "to").get(pk=made.pk)
    )
    if locked.begun_at is not None or locked.ended_at is not None:
        return 0
    if locked.to is not None and not here_on(frame.today).filter(pk=locked.to.pk).exists():
        return _begun_by_all(frame, locked)
    condition = Q(owner=locked.absence.user)
    if not locked.whole:
        condition &= Q(hand_over_lines__hand_over=locked)
    ids = hands_locked(condition)
    words = _("Handed over for leave, from %(who)s.") % {"who": locked.absence.user.full_name}
    moved = hands_pass(ids, [locked.to_id] * len(ids), note=str(words))
    if locked.whole:
        HandOverLine.objects.bulk_create(
            HandOverLine(hand_over=locked, referral_id=pk, moved_at=frame.now) for pk in ids
        )
    else:
        locked.lines.filter(referral_id__in=ids).update(moved_at=frame.now)
    locked.begun_at = frame.now
    locked.save(update_fields=["begun_at"])
    return moved


def _begun_by_all(frame: Acting, locked: HandOver) -> int:
    """The deputy is away: this hand-over is over before it began, and one to the coordinators' pool takes its place."""
    for_all = HandOver.objects.create(
        absence=locked.absence, to=None, pool=Pool.COORDINATORS, whole=locked.whole, note=locked.note,
        made_by=locked.made_by, made_at=frame.now,
    )  # fmt: skip
    chosen = [] if locked.whole else list(locked.lines.values_list("referral_id", flat=True))
    HandOverLine.objects.bulk_create(HandOverLine(hand_over=for_all, referral_id=pk) for pk in chosen)
    locked.ended_at = frame.now
    locked.save(update_fields=["ended_at"])
    return _begun(frame, for_all)


def _ended(frame: Acting, made: HandOver) -> int:
    """Give back, once, what the deputy still holds; what others took or what was closed stays with them."""
    locked = HandOver.objects.select_for_update(of=("self",)).select_related("absence__user").get(pk=made.pk)
    if locked.ended_at is not None:
        return 0
    home, moved = locked.absence.user, 0
    if here_on(frame.today).filter(pk=home.pk).exists():
        still = Q(owner_id=locked.to_id) if locked.to_id else Q(owner__isnull=True)
        lines = Q(hand_over_lines__hand_over=locked, hand_over_lines__moved_at__isnull=False)
        ids = hands_locked(still & lines)
        words = _("Given back after leave, to %(who)s.") % {"who": home.full_name}
        moved = hands_pass(ids, [home.pk] * len(ids), note=str(words))
        locked.lines.filter(referral_id__in=ids).update(back_at=frame.now)
    locked.ended_at = frame.now
    locked.save(update_fields=["ended_at"])
    return moved
