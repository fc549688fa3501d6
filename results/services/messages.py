"""Taking one message from an analyser's line: kept raw, answered, matched, refused or waiting, and safe to get twice."""

import hashlib
from collections.abc import Sequence
from typing import Literal

from django.db import connection
from django.db.models import F
from django.utils.translation import gettext as _

from results.lab_formats.csv_readings import RawLine
from results.lab_formats.observations import Message
from results.lab_formats.reading_lines import message_lines
from results.models import Analyser, InboxLine, InboxMessage, ReadingsFile, Run
from results.services.readings import inbox_write, lines_store, run_lines_judge, run_locked_open
from results.services.readings_judging import ALREADY_STORED, TAKEN, Judged
from results.services.samples import samples_take_in
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import User
from staff.roles import Role

Channel = InboxMessage.Channel
Verdict = InboxMessage.Verdict
KINDS: dict[str, Literal["hl7", "lis2"]] = {Channel.MLLP: "hl7", Channel.LIS1: "lis2"}
WAITS = frozenset({"sequence_broken", "not_returned", "unknown_serial", "preliminary", "corrected", "cancelled"})  # fmt: skip
"""Verdicts on a line that leave its message waiting for somebody rather than refused."""
KEPT = 4 * 1024 * 1024


def message_receive(
    *, by: User, channel: str, content: bytes, analyser: Analyser | None = None, trouble: str = ""
) -> InboxMessage:
    """Take one message in and say what became of it; the same bytes again change nothing but their count.

    `analyser` is what the listener was started for; without it the message's sender must be an analyser's code.
    `trouble` names what was wrong with its frame. Nothing raises for what a message may hold.
    """
    require_role(by, Role.LABORATORY)
    digest = hashlib.sha256(content).hexdigest()
    with acting(by) as frame:
        _one_at_a_time(digest)
        known = InboxMessage.objects.filter(sha256=digest, channel=channel, trouble=trouble)
        if known.update(times=F("times") + 1):
            kept = known.get()
            return message_retry(by=by, message=kept) if _may_retry(kept) else kept
        message, lines = message_lines(KINDS[channel], content, trouble)
        row = InboxMessage(
            at=frame.now, channel=channel, content=content[:KEPT], sha256=digest, trouble=trouble,
            sender=message.sender if message else "", control_id=message.control_id if message else "",
            analyser=analyser or _analyser_of(message), verdict=Verdict.REFUSED, sentence="",
        )  # fmt: skip
        _take(row, message, lines, by=by, frame=frame)
        row.save()
    return row


def _one_at_a_time(digest: str) -> None:
    """Let the same bytes arriving on two lines at once wait for each other; others do not wait."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(726101, hashtext(%s))", [digest])


def _analyser_of(message: Message | None) -> Analyser | None:
    return Analyser.objects.filter(code__iexact=message.sender).first() if message else None


def _take(
    row: InboxMessage, message: Message | None, lines: Sequence[RawLine], *, by: User, frame: Acting
) -> None:
    """Give the message its verdict, and its results their places when a run is open."""
    if message is None:
        row.verdict, row.sentence = Verdict.REFUSED, lines[0].refused[1] if lines and lines[0].refused else ""
        return
    if row.analyser is None:
        row.verdict = Verdict.WAITING
        row.sentence = _(
            "No analyser has the code “%(code)s”. Enter it, or set the code on the analyser."
        ) % {"code": message.sender[:40]}
        return
    run = Run.objects.filter(analyser=row.analyser, status=Run.Status.OPEN).first()
    if run is None:
        row.verdict = Verdict.WAITING
        row.sentence = _(
            "%(analyser)s has no open run. The message is kept; open a run with its controls."
        ) % {"analyser": row.analyser}
        return
    _store(row, run_locked_open(run), lines, by=by, frame=frame)


def _store(row: InboxMessage, run: Run, lines: Sequence[RawLine], *, by: User, frame: Acting) -> None:
    samples_take_in(by=by)
    judged = run_lines_judge(run, lines, frame, by_message=True)
    file = ReadingsFile.objects.create(
        name=f"{row.get_channel_display()} {row.control_id}".strip()[:200],
        sha256=hashlib.sha256(f"{row.channel} {row.sha256}".encode()).hexdigest(),
        run=run, content=b"", lines=len(lines), loaded_by=by, loaded_at=frame.now, kind=ReadingsFile.Kind.MESSAGE,
    )  # fmt: skip
    file.taken = lines_store(file, judged, by=by, frame=frame)
    file.save(update_fields=["taken"])
    inbox_write(file, judged, frame)
    row.file = file
    row.verdict, row.sentence = _verdict(judged)


def _verdict(judged: Sequence[Judged]) -> tuple[str, str]:
    """The message's verdict: refused if any result was, else waiting if any waits, else matched."""
    other = [one for one in judged if one.verdict not in (TAKEN, ALREADY_STORED)]
    refused = [one for one in other if one.verdict not in WAITS]
    if refused:
        return Verdict.REFUSED, refused[0].sentence
    if other:
        return Verdict.WAITING, other[0].sentence
    return Verdict.MATCHED, judged[0].sentence if judged else ""


def _may_retry(row: InboxMessage) -> bool:
    return row.verdict == Verdict.WAITING and row.file_id is None


def message_retry(*, by: User, message: InboxMessage) -> InboxMessage:
    """Try a message again that waited because no analyser or no run was there; others are left as they are."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        row = InboxMessage.objects.select_for_update(of=("self",)).get(pk=message.pk)
        if _may_retry(row) and not row.settled_note:
            read, lines = message_lines(KINDS[row.channel], bytes(row.content), row.trouble)
            row.analyser = row.analyser or _analyser_of(read)
            _take(row, read, lines, by=by, frame=frame)
            row.save(update_fields=["analyser", "file", "verdict", "sentence"])
    return row


def messages_retry(*, by: User, analyser: Analyser) -> int:
    """Try every message of an analyser that waits for a run; returns how many found one."""
    waiting = InboxMessage.objects.filter(
        analyser=analyser, verdict=Verdict.WAITING, file__isnull=True, settled_note=""
    ).order_by("at", "pk")
    tried = [message_retry(by=by, message=row) for row in waiting[:1_000]]
    return sum(row.file_id is not None for row in tried)


def message_settle(*, by: User, message: InboxMessage, note: str) -> InboxMessage:
    """Take a message that was not matched off the list, with a note; its lines are settled with it."""
    require_role(by, Role.LABORATORY)
    if not note.strip():
        raise RoundbookError(
            "words_missing", _("Write what was found, so that the message may leave this list.")
        )
    with acting(by, reason=note.strip()):
        words = _("%(note)s (%(who)s)") % {"note": note.strip()[:120], "who": by}
        rows = InboxMessage.objects.filter(pk=message.pk, settled_note="").exclude(verdict=Verdict.MATCHED)
        if not rows.update(settled_note=words[:200]):
            raise IllegalMove("line_settled", _("This message was settled already."))
        message.refresh_from_db()
        if message.file_id is not None:
            lines = InboxLine.objects.filter(file_id=message.file_id, settled_note="").exclude(verdict=TAKEN)
            lines.update(settled_note=words[:200])
    return message
