"""Deliveries and the sessions in which they are worked: opened, left, resumed, counted against the hand and settled."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Max, Sum
from django.db.models.functions import Coalesce
from django.utils.translation import gettext_lazy as _

from screening.collection import date_in_words, day_in_words
from screening.models import Delivery, IntakeSession, KitModel, Return, SessionMode, Tray
from screening.services.intake_answers import (
    BENCH_SENTENCES,
    BenchOutcome,
    Counts,
    Pending,
    ScanAnswer,
    earlier_read,
    pending_of,
)
from screening.services.intake_cards import Words
from screening.services.intake_practice import practice_named
from screening.services.intake_sql import bench_read
from screening.services.intake_undo import sentence_of_alarm
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import Site, User


def delivery_record(
    *,
    by: User,
    site: Site,
    arrived_on: date,
    label: str = "",
    hand_count: int | None = None,
    arrived_at: datetime | None = None,
) -> Delivery:
    """Record a sack or box as it reached the building; its arrival ends the transit clock.

    RoundbookError for a day still to come or longer ago than any sample lasts, or a hand count below zero.
    """
    with acting(by) as frame:
        if arrived_on > frame.today:
            raise RoundbookError(
                "arrival_in_future", _("A delivery cannot arrive after today. Check the day.")
            )
        _not_too_long_ago(arrived_on, frame.today)
        _count_ok(hand_count)
        moment = arrived_at or (frame.now if arrived_on == frame.today else clock.moment(arrived_on, 9))
        return Delivery.objects.create(
            site=site, arrived_on=arrived_on, arrived_at=moment, label=label.strip()[:60], hand_count=hand_count,
            recorded_by=by,
        )  # fmt: skip


SAMPLE_LASTS_DAYS = 14


def _not_too_long_ago(arrived_on: date, today: date) -> None:
    """A day before which no sample could still be measured is a slip of the keys, which would set good kits aside."""
    longest = KitModel.objects.aggregate(days=Max("sample_age_limit_days"))["days"] or SAMPLE_LASTS_DAYS
    first = today - timedelta(days=longest)
    if arrived_on < first:
        raise RoundbookError(
            "arrival_long_ago",
            _(
                "That day is longer ago than any sample lasts (%(days)s days). Check it: the earliest is %(first)s. If "
                "the post was found only now, enter the day on which it was found."
            )
            % {"days": longest, "first": date_in_words(first, today)},
        )


def _count_ok(hand_count: int | None) -> None:
    if hand_count is not None and hand_count < 0:
        raise RoundbookError("hand_count_negative", _("Count the envelopes: 0 or more."))


def session_start(
    *, by: User, delivery: Delivery | None, mode: str = SessionMode.POST, partner: User | None = None
) -> IntakeSession:
    """Start working through a delivery, alone or with a partner; without a delivery only for practice."""
    if (delivery is None) != (mode == SessionMode.PRACTICE):
        raise RoundbookError("no_delivery", _("Say which delivery you open, or choose to practise."))
    if partner is not None and partner.pk == by.pk:
        raise RoundbookError("partner_is_self", _("Choose the other person at the desk, or nobody."))
    with acting(by) as frame:
        return IntakeSession.objects.create(
            delivery=delivery, operator=by, partner=partner, mode=mode, started_at=frame.now
        )


def session_resume(*, by: User, session: IntakeSession) -> IntakeSession:
    """Go on with a session that was left; anybody may, and becomes its operator. Refused once it is closed."""
    with acting(by):
        found = (
            IntakeSession.objects.select_for_update(of=("self",), no_key=True)
            .select_related("delivery__site")
            .get(pk=session.pk)
        )
        if found.closed_at is not None:
            raise RoundbookError(
                "session_closed", _("This session is closed. Start another for the delivery.")
            )
        if found.operator_id != by.pk or found.paused_at is not None:
            found.operator, found.paused_at = by, None
            found.partner = None if found.partner_id == by.pk else found.partner
            found.save(update_fields=["operator", "partner", "paused_at"])
        return found


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """What a session came to, against the count by hand of its delivery."""

    counts: Counts
    delivery_scanned: int
    hand_count: int | None

    @property
    def difference(self) -> int | None:
        """Scanned in all sessions of the delivery less counted by hand; None where nobody counted."""
        return None if self.hand_count is None else self.delivery_scanned - self.hand_count


def session_bench(*, session: IntakeSession) -> ScanAnswer:
    """How the session stands: its alarm, the kit that waits for its day, the counts and the last scans."""
    read = bench_read(session=session.pk, now=clock.now(), sequence=0)
    earlier, counts = earlier_read(read["earlier"]), Counts(**read["counts"])
    if session.mode == SessionMode.PRACTICE:
        earlier = practice_named(earlier, clock.today())
    waiting: Pending | None = pending_of(earlier)
    if session.alarm_sequence is not None:
        raised = next((one for one in earlier if one.sequence == session.alarm_sequence), None)
        return ScanAnswer(
            BenchOutcome.REFUSED, "alarm_waiting", BENCH_SENTENCES["alarm_waiting"], counts.sequence,
            name=raised.name if raised else "", birth_year=raised.birth_year if raised else None,
            remark=sentence_of_alarm(raised), needs_acknowledge=True, counts=counts, earlier=earlier, stored=False,
        )  # fmt: skip
    if waiting is not None:
        return ScanAnswer(
            BenchOutcome.SHOWN, "compare", BENCH_SENTENCES["compare"], counts.sequence, serial=waiting.serial,
            name=waiting.name, birth_year=waiting.birth_year, waiting_for_day=True, counts=counts, earlier=earlier,
            stored=False,
        )  # fmt: skip
    return ScanAnswer(
        BenchOutcome.IDLE, "ready", BENCH_SENTENCES["ready"], counts.sequence, counts=counts, earlier=earlier,
        stored=False,
    )  # fmt: skip


def session_day(session: IntakeSession) -> Words:
    """The day keyed last in a session, in words: what `+` would mean; empty where there is none."""
    day = bench_read(session=session.pk, now=clock.now(), sequence=0)["last_day"]
    arrived = session.delivery.arrived_on if session.delivery else clock.today()
    return day_in_words(day, arrived) if day else ""


def delivery_scanned(delivery_id: int) -> int:
    """How many envelopes of a delivery were logged: accepted, set aside, not ours in its sessions, or from a list."""
    sums = IntakeSession.objects.filter(delivery_id=delivery_id).aggregate(
        n=Coalesce(Sum("accepted") + Sum("set_aside") + Sum("not_ours"), 0)
    )
    listed = Return.objects.filter(delivery_id=delivery_id, session=None).exclude(state="undone")
    return int(sums["n"]) + listed.count()


def session_summary(session: IntakeSession) -> SessionSummary:
    """Counts of this session, and of its delivery over all its sessions."""
    session.refresh_from_db(fields=["accepted", "set_aside", "not_ours", "last_sequence"])
    mine = Counts(session.accepted, session.set_aside, session.not_ours, 0, session.last_sequence)
    if session.delivery is None:
        return SessionSummary(mine, mine.scanned, None)
    return SessionSummary(mine, delivery_scanned(session.delivery.pk), session.delivery.hand_count)


def session_close(*, by: User, session: IntakeSession, hand_count: int | None = None) -> SessionSummary:
    """Close a session and answer with the difference from the count by hand. Safe to call again.

    RoundbookError while an alarm waits or a kit that was shown still needs its day. A delivery whose last session
    closes and whose count agrees is settled by that.
    """
    _count_ok(hand_count)
    with acting(by) as frame:
        found = (
            IntakeSession.objects.select_for_update(of=("self",), no_key=True)
            .select_related("delivery")
            .get(pk=session.pk)
        )
        if found.closed_at is None:
            _may_close(found)
            found.closed_at = frame.now
            found.save(update_fields=["closed_at"])
            Tray.objects.filter(session=found, closed_at=None).update(closed_at=frame.now)
        delivery = found.delivery
        if hand_count is not None and delivery is not None:
            delivery.hand_count = hand_count
            delivery.save(update_fields=["hand_count"])
        summary = session_summary(found)
        if delivery is not None and delivery.settled_at is None and summary.difference == 0:
            _settle(delivery, by, frame.now, "")
        return summary


def _may_close(session: IntakeSession) -> None:
    standing = session_bench(session=session)
    if standing.needs_acknowledge:
        raise RoundbookError("alarm_waiting", _("An alarm waits. Scan the card ACKNOWLEDGE first."))
    if standing.waiting_for_day:
        raise RoundbookError(
            "day_owed", _("The last kit still needs its day. Key it, or scan UNDO, then close.")
        )
    owed = Return.objects.filter(tray__session=session, tray__kind="owed", state="set_aside").count()
    if owed:
        raise RoundbookError(
            "names_owed",
            _(
                "Kits in the waiting rack whose name is not compared yet: %(n)s. Scan them one by one, then close."
            )
            % {"n": owed},
        )


def hand_count_correct(*, by: User, delivery: Delivery, hand_count: int) -> Delivery:
    """Put another count by hand in place of the one before; refused once the delivery is settled."""
    _count_ok(hand_count)
    with acting(by, reason="counted again"):
        found = Delivery.objects.select_for_update(no_key=True).get(pk=delivery.pk)
        if found.settled_at is not None:
            raise RoundbookError("settled", _("This delivery is settled. Its count stands."))
        found.hand_count = hand_count
        found.save(update_fields=["hand_count"])
        return found


def _settle(delivery: Delivery, by: User, now: datetime, reason: str) -> None:
    if IntakeSession.objects.filter(delivery=delivery, closed_at=None).exists():
        return
    delivery.settled_at, delivery.settled_by, delivery.settled_reason = now, by, reason
    delivery.save(update_fields=["settled_at", "settled_by", "settled_reason"])


def delivery_settle(*, by: User, delivery: Delivery, reason: str) -> Delivery:
    """Close a delivery whose count does not agree: a second person says why.

    RoundbookError while a session is open, without a count or a reason, or for somebody who scanned it.
    """
    with acting(by, reason="delivery settled") as frame:
        found = Delivery.objects.select_for_update(no_key=True).get(pk=delivery.pk)
        if found.settled_at is not None:
            return found
        sessions = IntakeSession.objects.filter(delivery=found)
        if sessions.filter(closed_at=None).exists():
            raise RoundbookError(
                "session_open", _("A session of this delivery is still open. Close it first.")
            )
        if found.hand_count is None:
            raise RoundbookError(
                "not_counted", _("Nobody has counted this delivery by hand. Count it first.")
            )
        agrees = delivery_scanned(found.pk) == found.hand_count
        if not agrees and not reason.strip():
            raise RoundbookError("reason_missing", _("Say why the count and the scans differ."))
        hands = sessions.filter(operator=by) | sessions.filter(partner=by)
        if not agrees and (
            hands.exists() or Return.objects.filter(delivery=found, session__scans__by=by).exists()
        ):
            raise RoundbookError(
                "second_person", _("Somebody who did not scan this delivery must close the difference.")
            )
        _settle(found, by, frame.now, reason.strip()[:200])
        return found


@dataclass(frozen=True, slots=True)
class Gap:
    """A tray that holds fewer kits than its places say, or that was left with room: where to look first."""

    tray: Tray
    held: int

    @property
    def missing(self) -> int:
        """Places that were given and hold nothing."""
        return self.tray.filled - self.held


def difference_helper(delivery: Delivery) -> list[Gap]:
    """Where to look when a delivery's count and its scans differ: its trays, those with gaps first.

    The waiting rack is left out: its kits move on to other places once their name is compared.
    """
    trays = Tray.objects.filter(session__delivery=delivery).exclude(kind="owed").order_by("opened_at", "pk")
    held: dict[int, int] = {}
    for tray_id in (
        Return.objects.filter(tray__in=trays).exclude(state="undone").values_list("tray_id", flat=True)
    ):
        held[int(tray_id or 0)] = held.get(int(tray_id or 0), 0) + 1
    gaps = [Gap(tray, held.get(tray.pk, 0)) for tray in trays]
    return sorted(gaps, key=lambda gap: -gap.missing)
