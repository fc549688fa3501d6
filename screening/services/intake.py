"""The post: the services other parts and pages call; each lives in the module that its import names."""

from screening.models import IntakeSession
from screening.services.intake_answers import ScanAnswer
from screening.services.intake_many import LoggedMany, returns_log_many
from screening.services.intake_scan import bench_scan, kit_scan
from screening.services.intake_sessions import (
    SessionSummary,
    delivery_record,
    delivery_settle,
    difference_helper,
    hand_count_correct,
    session_bench,
    session_close,
    session_resume,
    session_start,
)
from screening.services.intake_solve import return_solve
from screening.services.intake_sql import bench_read
from staff import clock
from staff.models import User

__all__ = [
    "LoggedMany", "SessionSummary", "bench_scan", "delivery_record", "delivery_settle", "difference_helper",
    "hand_count_correct", "kit_scan", "return_solve", "returns_log_many", "scan_undo", "session_bench", "session_close", "session_resume", "session_start",
]  # fmt: skip


def scan_undo(*, by: User, session: IntakeSession) -> ScanAnswer:
    """Undo the last scan of a session, as the card UNDO does."""
    latest = bench_read(session=session.pk, now=clock.now(), sequence=0)["counts"]["sequence"]
    return bench_scan(by=by, session=session, sequence=latest + 1, raw="RB-UNDO")
