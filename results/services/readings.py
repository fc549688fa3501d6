"""Taking a readings file in: kept whole, each line answered, readings stored and samples moved in a few statements."""

import csv
import hashlib
import io
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Literal

from django.db import connection
from django.utils.translation import gettext as _

from results.lab_formats.csv_readings import RawLine, ReadingsFileError, running_number
from results.lab_formats.reading_lines import file_lines, message_lines
from results.models import InboxLine, InboxMessage, ReadingsFile, Run, Sample
from results.services.readings_copy import copy_rows
from results.services.readings_judging import (
    ALREADY_STORED,
    TAKEN,
    Judged,
    RunFacts,
    SampleFact,
    lines_judge,
    lines_numbered,
    serial_or_error,
)
from results.services.samples import USABLE_UNTIL, rounds_without_usable_kit, samples_take_in
from results.services.yes_no import limits_wrong
from screening.serials import SerialError
from staff import clock
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool, Role

MOST_LINES = 100_000
LINE_ENDS = (
    b"\n",
    b"\r",
    b"\x0b",
    b"\x0c",
    b"\x1c",
    b"\x1d",
    b"\x1e",
    b"\xc2\x85",
    b"\xe2\x80\xa8",
    b"\xe2\x80\xa9",
)
"""Whatever Python takes for the end of a line, counted before a list of millions is made of them."""

SAMPLES = f"""
    SELECT k.serial, k.id, s.id, coalesce(s.state, ''), s.round_id, b.collected_earliest, {USABLE_UNTIL},
           coalesce(p.report_high_from_unfit, false)
    FROM unnest(%s::text[]) w(serial) JOIN screening_kit k ON k.serial = w.serial
    JOIN screening_lot l ON l.id = k.lot_id JOIN screening_kitmodel m ON m.id = l.kit_model_id
    LEFT JOIN results_sample s ON s.kit_id = k.id LEFT JOIN screening_return b ON b.id = s.return_of_id
    LEFT JOIN screening_round d ON d.id = s.round_id
    LEFT JOIN screening_screeningpolicy p ON p.protocol_id = d.protocol_id
"""
STORED = """
    SELECT s.serial, r.running_number, r.raw, r.run_id, r.read_at FROM results_reading r
    JOIN results_sample s ON s.id = r.sample_id JOIN results_run u ON u.id = r.run_id
    WHERE s.serial = ANY(%s) AND u.analyser_id = %s
"""
LAST_NUMBER = """
    SELECT max(substring(i.raw FROM '^[[:space:]"]*([0-9]{1,9})')::bigint) FROM results_inboxline i
    JOIN results_readingsfile f ON f.id = i.file_id WHERE f.run_id = %s
      AND (i.verdict <> 'sequence_broken' OR i.settled_note <> '')
"""
READING = [
    "sample_id",
    "run_id",
    "file_id",
    "line",
    "running_number",
    "raw",
    "comparator",
    "value",
    "unit",
    "flag",
    "analyser_says",
    "qualitative",
    "analysed_on",
    "read_at",
]
INBOX = ["at", "file_id", "line", "raw", "serial", "verdict", "sentence", "settled_note"]
EVENTS = ("flag", "measure", "give_up", "spoil")
"""In this order a sample flagged and then measured, or flagged twice, in one file comes out right."""
LOST = {"give_up": "flagged_twice", "spoil": "over_age"}
"""What the letter with the new kit says of a sample lost at the bench."""


def readings_load(*, by: User, run: Run, name: str, content: bytes) -> ReadingsFile:
    """Take a readings file into an open run and answer every line; the same file again changes nothing.

    Raises RoundbookError when the run is not open or the file is not of the documented format; nothing is stored then.
    """
    require_role(by, Role.LABORATORY)
    known = readings_known(content)
    if known is not None:
        return known
    lines = _lines(content)
    digest = hashlib.sha256(content).hexdigest()
    with acting(by) as frame:
        run = run_locked_open(run)
        known = readings_known(content)
        if known is not None:
            return known
        samples_take_in(by=by)
        file = ReadingsFile.objects.create(
            name=name[:200],
            sha256=digest,
            run=run,
            content=content,
            lines=len(lines),
            loaded_by=by,
            loaded_at=frame.now,
        )
        judged = run_lines_judge(run, lines, frame)
        file.taken = lines_store(file, judged, by=by, frame=frame)
        inbox_write(file, judged, frame)
        file.save(update_fields=["taken"])
    return file


def readings_known(content: bytes) -> ReadingsFile | None:
    """The file with exactly this content, when it was loaded before."""
    return ReadingsFile.objects.filter(sha256=hashlib.sha256(content).hexdigest()).first()


def readings_preview(*, by: User, run: Run, content: bytes) -> list[Judged]:
    """What would become of each line, without storing anything."""
    require_role(by, Role.LABORATORY)
    lines = _lines(content)
    with acting(by) as frame:
        samples_take_in(by=by)
        return run_lines_judge(run_locked_open(run), lines, frame)


def _lines(content: bytes) -> list[RawLine]:
    if sum(content.count(end) for end in LINE_ENDS) > MOST_LINES:
        raise RoundbookError(
            "readings_too_many",
            _("The file has more than %(n)s lines, so nothing was taken. Export one day at a time.")
            % {"n": MOST_LINES},
        )
    try:
        return file_lines(content)
    except ReadingsFileError as error:
        raise RoundbookError(error.code, error.sentence) from None


def run_locked_open(run: Run) -> Run:
    """The run under lock; raises IllegalMove when nothing may be measured in it."""
    locked = Run.objects.select_for_update(of=("self",)).select_related("analyser__site").get(pk=run.pk)
    if locked.status != Run.Status.OPEN:
        raise IllegalMove(
            "run_not_open",
            _("%(run)s is not open, so nothing was taken. Open a run with its controls, then load the file.")
            % {"run": locked},
        )
    return locked


def run_lines_judge(
    run: Run, lines: Sequence[RawLine], frame: Acting, *, follow_on: bool = True, by_message: bool = False
) -> list[Judged]:
    """The verdict on lines for a locked open run. `by_message`: single messages follow the run's last stored number."""
    serials = sorted(set(_serials(lines)))
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT id FROM results_sample WHERE serial = ANY(%s) ORDER BY id FOR NO KEY UPDATE", [serials]
        )
        cursor.execute(SAMPLES, [serials])
        samples = {row[0]: SampleFact(*row[1:]) for row in cursor.fetchall()}
        cursor.execute(STORED, [serials, run.analyser_id])
        stored: dict[tuple[str, int, str], set[tuple[int, datetime]]] = defaultdict(set)
        for serial, number, raw, run_id, read_at in cursor.fetchall():
            stored[serial, number, raw].add((run_id, read_at))
        cursor.execute(LAST_NUMBER, [run.pk])
        (last,) = cursor.fetchone()
    numbers = frozenset(run.readings.values_list("running_number", flat=True))
    facts = RunFacts(
        unit=run.unit,
        opened_at=run.opened_at,
        now=frame.now,
        zone=clock.zone(run.analyser.site.time_zone),
        last_number=(max(numbers, default=None) if by_message else last) if follow_on else None,
        numbers=numbers,
        run_id=run.pk,
        stored={key: frozenset(seen) for key, seen in stored.items()},
        limit=run.device_limit,
        limit_wrong=limits_wrong(run, lines, serials, frame.today),
        taken_words=_("Taken."),
    )
    if any(line.numberless for line in lines):
        newest = max(facts.numbers, default=0)
        lines = lines_numbered(lines, newest, facts)
        facts = replace(facts, last_number=None)
    return list(lines_judge(lines, samples, facts))


def _serials(lines: Iterable[RawLine]) -> Iterable[str]:
    read = (serial_or_error(line.fields[1]) for line in lines if line.fields)
    return (serial for serial in read if not isinstance(serial, SerialError))


def lines_store(file: ReadingsFile, judged: Sequence[Judged], *, by: User, frame: Acting) -> int:
    """Write the readings and move their samples; returns how many were taken."""
    taken = [one for one in judged if one.stored]
    copy_rows("results_reading", READING, (_reading_row(file, one) for one in taken))
    tomorrow = frame.today + timedelta(days=1)
    for event in EVENTS:
        rows = {one.sample_id: one.sentence for one in judged if one.event == event and one.sample_id}
        samples_move(event, rows, due=tomorrow)
    lost = {one.sample_id: LOST[one.event] for one in judged if one.event in LOST and one.sample_id}
    if lost:
        rounds_without_usable_kit(by=by, sample_ids=list(lost), reasons=lost)
    return len(taken)


def _reading_row(file: ReadingsFile, one: Judged) -> tuple[object, ...]:
    quantity, fields = one.quantity, one.line.fields or ("",) * 6
    return (
        one.sample_id, file.run_id, file.pk, one.line.line, one.line.running_number, fields[2].strip()[:40],
        quantity.comparator if quantity else "", quantity.value if quantity else None, one.unit, one.flag,
        one.says, one.yes_no, one.analysed_on, one.read_at,
    )  # fmt: skip


def samples_move(event: str, rows: dict[int, str], *, due: date) -> None:
    """Make one event of measuring happen to these samples, each with its words."""
    if not rows:
        return
    params: dict[str, object] = {
        "ids": list(rows),
        "notes": ["" if event == "measure" else n for n in rows.values()],
    }
    values = {"note": "w.note", "rule": "'R2'" if event == "spoil" else "''"}
    if event in ("measure", "flag"):
        params["due"] = due
        values |= {"due_on": "%(due)s::date", "pool": f"'{Pool.LABORATORY}'"}
    moved = make_moves(
        ledger_of(Sample),
        event,
        source="SELECT * FROM unnest(%(ids)s::bigint[], %(notes)s::text[]) AS u(id, note)",
        params=params,
        values=values,
    )
    if moved != len(rows):
        raise IllegalMove("sample_moved", _("A sample changed while the file was read. Load the file again."))


def inbox_write(file: ReadingsFile, judged: Sequence[Judged], frame: Acting) -> None:
    """Write every line with its answer; those stored before, and those whose sample was moved for it, are settled."""
    copy_rows(
        "results_inboxline",
        INBOX,
        (
            (
                frame.now, file.pk, one.line.line, one.line.text, one.serial, one.verdict, one.sentence,
                one.sentence if one.verdict == ALREADY_STORED or (one.event and not one.stored) else "",
            )
            for one in judged
        ),
    )  # fmt: skip


def line_settle(*, by: User, line: InboxLine, note: str) -> InboxLine:
    """Take one refused line off the list of lines without a home, with a note of what was found."""
    require_role(by, Role.LABORATORY)
    if not note.strip():
        raise RoundbookError(
            "words_missing", _("Write what was found, so that the line may leave this list.")
        )
    with acting(by, reason=note.strip()):
        words = _("%(note)s (%(who)s)") % {"note": note.strip()[:120], "who": by}
        changed = InboxLine.objects.filter(pk=line.pk, settled_note="").exclude(verdict=TAKEN)
        if not changed.update(settled_note=words[:200]):
            raise IllegalMove("line_settled", _("This line was settled already."))
    line.refresh_from_db()
    return line


def readings_gap_explain(*, by: User, file: ReadingsFile, note: str) -> int:
    """Go on with the lines that a break in the running numbers held, after the rack was compared; returns how many
    were taken.

    Lines at the break without a usable number of their own are settled with the note. The run must still be open.
    """
    require_role(by, Role.LABORATORY)
    if not note.strip():
        raise RoundbookError("words_missing", _("Write what the comparison of list and rack showed."))
    with acting(by, reason=note.strip()) as frame:
        run = run_locked_open(file.run)
        held = list(
            InboxLine.objects.select_for_update()
            .filter(file_id=file.pk, verdict="sequence_broken", settled_note="")
            .order_by("line")
        )
        wanted = {row.line: row for row in held}
        lines = [line for line in _lines_of(file) if line.line in wanted]
        used = set(run.readings.values_list("running_number", flat=True))
        while lines and (running_number((lines[0].fields or ("",))[0]) or 0) in used | {0}:
            row = wanted[lines.pop(0).line]
            InboxLine.objects.filter(pk=row.pk).update(settled_note=note.strip()[:200])
        judged = run_lines_judge(run, lines, frame, follow_on=False)
        taken = lines_store(file, judged, by=by, frame=frame)
        _rewrite_inbox(wanted, judged, note.strip())
        ReadingsFile.objects.filter(pk=file.pk).update(taken=file.taken + taken)
        _message_settled(file, note.strip())
    return taken


def _lines_of(file: ReadingsFile) -> list[RawLine]:
    """The lines of a file, or of the message it stands for."""
    if file.kind != ReadingsFile.Kind.MESSAGE:
        return file_lines(bytes(file.content))
    kind: Literal["hl7", "lis2"] = "hl7" if file.message.channel == InboxMessage.Channel.MLLP else "lis2"
    return message_lines(kind, bytes(file.message.content))[1]


def _message_settled(file: ReadingsFile, note: str) -> None:
    """Once no line of a message waits any more, the message does not either."""
    if not InboxLine.objects.filter(file_id=file.pk, settled_note="").exclude(verdict=TAKEN).exists():
        InboxMessage.objects.filter(file=file, settled_note="").update(settled_note=note[:200])


def _rewrite_inbox(wanted: dict[int, InboxLine], judged: Sequence[Judged], note: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE results_inboxline i SET serial = w.serial, verdict = w.verdict, sentence = w.sentence"
            " FROM unnest(%s::bigint[], %s::text[], %s::text[], %s::text[]) AS w(id, serial, verdict, sentence)"
            " WHERE i.id = w.id",
            [
                [wanted[one.line.line].pk for one in judged],
                [one.serial for one in judged],
                [one.verdict for one in judged],
                [
                    one.sentence if one.verdict == "sequence_broken" else f"{one.sentence} ({note[:120]})"
                    for one in judged
                ],
            ],
        )


def verdict_counts(file: ReadingsFile) -> Counter[str]:
    """How many lines of a file got which verdict."""
    return Counter(InboxLine.objects.filter(file_id=file.pk).values_list("verdict", flat=True))


def refused_csv(file: ReadingsFile) -> bytes:
    """The lines that were not taken, as they were sent, each with its line number and sentence before it."""
    rows = (
        InboxLine.objects.filter(file_id=file.pk)
        .exclude(verdict__in=[TAKEN, ALREADY_STORED])
        .order_by("line")
    )
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["line", "why", "as_sent"])
    for row in rows:
        text = f"'{row.raw}" if row.raw[:1] in ("=", "+", "-", "@") else row.raw
        writer.writerow([row.line, row.sentence, text])
    return out.getvalue().encode("utf-8-sig")
