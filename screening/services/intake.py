"""The post: deliveries, intake sessions, scans, undoing, set-asides, and many returns at once."""

from dataclasses import dataclass
from datetime import date, datetime

from django.utils.translation import gettext_lazy as _

from screening.models import Delivery, IntakeSession
from screening.services.intake_answers import (
    BENCH_SENTENCES,
    BenchOutcome,
    Counts,
    Pending,
    ScanAnswer,
    earlier_read,
    pending_of,
)
from screening.services.intake_many import LoggedMany, returns_log_many
from screening.services.intake_scan import bench_scan, kit_scan
from screening.services.intake_solve import return_solve
from screening.services.intake_sql import bench_read
from screening.services.intake_undo import sentence_of_alarm
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import Site, User

__all__ = [
    "LoggedMany", "SessionSummary", "bench_scan", "delivery_record", "kit_scan", "return_solve", "returns_log_many",
    "scan_undo", "session_bench", "session_close", "session_resume", "session_start",
]  # fmt: skip


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

    RoundbookError for a day still to come or a hand count below zero.
    """
    with acting(by) as frame:
        if arrived_on > frame.today:
            raise RoundbookError(
                "arrival_in_future", _("A delivery cannot arrive after today. Check the day.")
            )
        if hand_count is not None and hand_count < 0:
            raise RoundbookError("hand_count_negative", _("Count the envelopes: 0 or more."))
        moment = arrived_at or (frame.now if arrived_on == frame.today else clock.moment(arrived_on, 9))
        return Delivery.objects.create(
            site=site, arrived_on=arrived_on, arrived_at=moment, label=label.strip()[:60], hand_count=hand_count,
            recorded_by=by,
        )  # fmt: skip


def session_start(*, by: User, delivery: Delivery) -> IntakeSession:
    """Start working through a delivery."""
    with acting(by) as frame:
        return IntakeSession.objects.create(delivery=delivery, operator=by, started_at=frame.now)


def session_resume(*, by: User, session: IntakeSession) -> IntakeSession:
    """Go on with a session that was left; anybody may, and becomes its operator. Refused once it is closed."""
    with acting(by):
        found = (
            IntakeSession.objects.select_for_update(of=("self",))
            .select_related("delivery__site")
            .get(pk=session.pk)
        )
        if found.closed_at is not None:
            raise RoundbookError(
                "session_closed", _("This session is closed. Start another for the delivery.")
            )
        if found.operator_id != by.pk:
            found.operator = by
            found.save(update_fields=["operator"])
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
    waiting: Pending | None = pending_of(earlier)
    if session.alarm_sequence is not None:
        raised = next((one for one in earlier if one.sequence == session.alarm_sequence), None)
        return ScanAnswer(
            BenchOutcome.REFUSED, "alarm_waiting", BENCH_SENTENCES["alarm_waiting"], counts.sequence,
            name=raised.name if raised else "", birth_year=raised.birth_year if raised else None,
            remark=sentence_of_alarm(raised), needs_acknowledge=True, counts=counts, earlier=earlier,
        )  # fmt: skip
    if waiting is not None:
        return ScanAnswer(
            BenchOutcome.SHOWN, "compare", BENCH_SENTENCES["compare"], counts.sequence, serial=waiting.serial,
            name=waiting.name, birth_year=waiting.birth_year, waiting_for_day=True, counts=counts, earlier=earlier,
        )  # fmt: skip
    return ScanAnswer(
        BenchOutcome.IDLE, "ready", BENCH_SENTENCES["ready"], counts.sequence, counts=counts, earlier=earlier
    )


def session_summary(session: IntakeSession) -> SessionSummary:
    """Counts of this session, and of its delivery over all its sessions."""
    now = clock.now()
    mine = Counts(**bench_read(session=session.pk, now=now, sequence=0)["counts"])
    others = (
        IntakeSession.objects.filter(delivery_id=session.delivery_id)
        .exclude(pk=session.pk)
        .values_list("pk", flat=True)
    )
    total = mine.scanned + sum(
        Counts(**bench_read(session=pk, now=now, sequence=0)["counts"]).scanned for pk in others
    )
    return SessionSummary(mine, total, session.delivery.hand_count)


def session_close(*, by: User, session: IntakeSession, hand_count: int | None = None) -> SessionSummary:
    """Close a session and answer with the difference from the count by hand. Safe to call again.

    RoundbookError while an alarm waits or a kit that was shown still needs its day.
    """
    if hand_count is not None and hand_count < 0:
        raise RoundbookError("hand_count_negative", _("Count the envelopes: 0 or more."))
    with acting(by) as frame:
        found = (
            IntakeSession.objects.select_for_update(of=("self",))
            .select_related("delivery")
            .get(pk=session.pk)
        )
        if found.closed_at is None:
            standing = session_bench(session=found)
            if standing.needs_acknowledge:
                raise RoundbookError("alarm_waiting", _("An alarm waits. Scan the card ACKNOWLEDGE first."))
            if standing.waiting_for_day:
                raise RoundbookError(
                    "day_owed", _("The last kit still needs its day. Key it, or scan UNDO, then close.")
                )
            found.closed_at = frame.now
            found.save(update_fields=["closed_at"])
        if hand_count is not None:
            found.delivery.hand_count = hand_count
            found.delivery.save(update_fields=["hand_count"])
        return session_summary(found)


def scan_undo(*, by: User, session: IntakeSession) -> ScanAnswer:
    """Undo the last scan of a session, as the card UNDO does."""
    latest = bench_read(session=session.pk, now=clock.now(), sequence=0)["counts"]["sequence"]
    return bench_scan(by=by, session=session, sequence=latest + 1, raw="RB-UNDO")
