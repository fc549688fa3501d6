"""What becomes of each line of a readings file: one verdict and one sentence a line, decided from facts read once."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from results.lab_formats.csv_readings import RawLine, unit_read
from results.models import Unit
from results.units import Quantity, ReadingError, parse_reading
from results.yes_no import yes_no_read
from screening.serials import SerialError, serial_read
from staff import clock

ON_THE_BENCH = frozenset({"ready", "in_run", "repeat"})
WAS_MEASURED = frozenset({"measured", "held", "ready_to_authorise", "reported"})
BEFORE_OPENING = timedelta(minutes=15)
AHEAD = timedelta(minutes=15)
LARGEST = Decimal(10) ** 8
TAKEN = "taken"
ALREADY_STORED = "already_stored"
CORRECTED = "corrected"
CANCELLED = "cancelled"


@dataclass(slots=True)
class SampleFact:
    """What is known of one serial: whether the kit is ours, its sample, and when it grows too old."""

    kit_id: int
    sample_id: int | None
    state: str
    round_id: int | None
    collected_earliest: date | None
    usable_until: date | None
    high_counts_when_old: bool = False
    """Whether the protocol has a sample past its age or expiry measured all the same, for a result at or above."""


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What is known of the run: its unit and times, and which numbers it has used."""

    unit: str
    opened_at: datetime
    now: datetime
    zone: ZoneInfo
    last_number: int | None
    numbers: frozenset[int]
    run_id: int
    stored: Mapping[tuple[str, int, str], frozenset[tuple[int, datetime]]]
    """Serial, running number and value of the readings this analyser gave before → the runs and moments they came from."""
    limit: Decimal | None = None
    """The limit set on the analyser for its own yes or no, in the run's unit, when it was confirmed."""
    limit_wrong: Mapping[str, str] = field(default_factory=dict)
    """Serial → why that limit is not the person's cutoff, for lines that say only yes or no."""
    taken_words: str = "Taken."
    """Looked up once a file: most lines say nothing else."""


@dataclass(slots=True)
class Judged:
    """The answer to one line; `event` is the move its sample makes (empty: none)."""

    line: RawLine
    serial: str
    verdict: str
    sentence: str
    event: str = ""
    sample_id: int | None = None
    quantity: Quantity | None = None
    unit: str = ""
    flag: str = ""
    read_at: datetime | None = None
    analysed_on: date | None = None
    says: bool | None = None
    yes_no: bool = False
    """Only the analyser's yes or no; the quantity is then its limit."""

    @property
    def stored(self) -> bool:
        """Whether a reading is written for it; a corrected one is, beside the first, for a person to look at."""
        return self.verdict in (TAKEN, CORRECTED)


class Refusal(Exception):
    """Ends the judging of one line: verdict and sentence; `event` when the sample itself is done with."""

    def __init__(self, verdict: str, sentence: object, event: str = "") -> None:
        super().__init__(verdict)
        self.verdict, self.sentence, self.event = verdict, str(sentence), event


def lines_judge(lines: Iterable[RawLine], samples: dict[str, SampleFact], run: RunFacts) -> Iterator[Judged]:
    """Judge the lines of one file in their order.

    A running number that is missing, unreadable or out of order holds that line and every later one, because from
    there on a reading may belong to the neighbouring vial. A file may begin further back than the run stands, as a
    longer export of the same memory does. States in `samples` are moved on as lines are taken.
    """
    expected = None if run.last_number is None else run.last_number + 1
    broken = ""
    for nth, line in enumerate(lines):
        if line.refused is not None:
            yield Judged(line, _serial_or_text(line), *line.refused)
            continue
        number = line.running_number
        if nth == 0 and number is not None and expected is not None:
            expected = min(expected, number)
        if not broken and number is not None and _seen_before(line, number, samples, run):
            expected = number + 1 if number in run.numbers else expected
            yield Judged(
                line, _serial_or_text(line), ALREADY_STORED, _("This very reading was stored before.")
            )
            continue
        broken = broken or ("" if line.numberless else _sequence_trouble(line, number, expected, run))
        if broken:
            yield Judged(line, _serial_or_text(line), "sequence_broken", broken)
            continue
        expected = (number or 0) + 1
        yield _by_status(line, samples, run)


def lines_numbered(lines: Sequence[RawLine], last: int, run: RunFacts) -> list[RawLine]:
    """The lines of an analyser that keeps no running numbers, counted on from `last`; a result sent again keeps its own."""
    known = {
        (serial, value, moment): number
        for (serial, number, value), seen in run.stored.items()
        for _run, moment in seen
    }
    out = []
    for line in lines:
        if line.numberless and line.fields and line.refused is None:
            moment = _read_at(line.fields[5], run)
            number = known.get((_serial_or_text(line), _value(line), moment)) if moment else None
            if number is None:
                number = last = last + 1
            line = replace(line, fields=(str(number), *line.fields[1:]))
        out.append(line)
    return out


def _by_status(line: RawLine, samples: dict[str, SampleFact], run: RunFacts) -> Judged:
    """Judge a line by how far its result has come: only final ones, or the first of a corrected one, measure a sample."""
    serial = _serial_or_text(line)
    fact = samples.get(serial)
    measured = fact is not None and fact.state in WAS_MEASURED
    if line.status == "preliminary":
        words = _("This result is preliminary. Nothing is taken before the analyser sends the final one.")
        return Judged(line, serial, "preliminary", words)
    if line.status in ("cannot", "deleted") and (measured or line.status == "deleted"):
        words = _("The analyser took this result back. A person must look at what was stored of this sample.")
        return Judged(line, serial, CANCELLED, words)
    if line.status != "corrected" or fact is None or not measured:
        return _judge(line, samples, run)
    judged = _judge(line, {serial: replace(fact, state="ready")}, run)
    if judged.stored:
        judged.verdict, judged.event = CORRECTED, ""
        judged.sentence = _(
            "A corrected value of a sample that was measured before. A person must look at both."
        )
    return judged


def _seen_before(line: RawLine, number: int, samples: dict[str, SampleFact], run: RunFacts) -> bool:
    """Whether this is the stored reading itself and not a second measurement that happens to look like it.

    The moment of reading tells the two apart: a vial measured again may well come out first and with the same value.
    """
    serial = _serial_or_text(line)
    known = run.stored.get((serial, number, _value(line)))
    if known is None:
        return False
    text = line.fields[5].strip() if line.fields else ""
    if text:
        when = _read_at(text, run)
        return when in {moment for _run, moment in known}
    return any(run_id == run.run_id for run_id, _moment in known) or not _awaits_measuring(serial, samples)


def _awaits_measuring(serial: str, samples: dict[str, SampleFact]) -> bool:
    fact = samples.get(serial)
    return fact is not None and fact.state in ON_THE_BENCH


def _sequence_trouble(line: RawLine, number: int | None, expected: int | None, run: RunFacts) -> str:
    if number is None:
        return _(
            "Line %(line)s has no readable running number. It and everything after it wait until somebody has compared"
            " the analyser's list with the rack."
        ) % {"line": line.line}
    if number in run.numbers:
        return _(
            "The running number on line %(line)s is %(number)s, which this run has already, with another reading. This line"
            " and everything after it wait until somebody has compared the analyser's list with the rack."
        ) % {"line": line.line, "number": number}
    if expected is not None and number != expected:
        return _(
            "The running number on line %(line)s is %(number)s where %(expected)s was due. This line and everything"
            " after it wait until somebody has compared the analyser's list with the rack."
        ) % {"line": line.line, "number": number, "expected": expected or "–"}
    return ""


def _value(line: RawLine) -> str:
    return line.fields[2].strip()[:40] if line.fields else ""


@lru_cache(maxsize=65_536)
def serial_or_error(text: str) -> str | SerialError:
    """The serial in its stored form, or why the text is none; a file's serials are read once each."""
    try:
        return serial_read(text)
    except SerialError as error:
        return error


def _serial_or_text(line: RawLine) -> str:
    """The serial in its stored form, or the text in its place."""
    text = line.fields[1] if line.fields else ""
    serial = serial_or_error(text)
    return text.strip()[:40] if isinstance(serial, SerialError) else serial


def _judge(line: RawLine, samples: dict[str, SampleFact], run: RunFacts) -> Judged:
    judged = Judged(line, _serial_or_text(line), TAKEN, "", says=line.says)
    try:
        if line.fields is None:
            raise Refusal(
                "columns", _("The line does not have six columns. Correct the export and send it again.")
            )
        _number, serial_text, value_text, unit_text, flag, read_text = line.fields
        serial = serial_or_error(serial_text)
        if isinstance(serial, SerialError):
            raise Refusal(serial.code.value, serial.sentence)
        fact = _on_the_bench(judged.serial, samples)
        judged.sample_id = fact.sample_id
        judged.flag, word = flag.strip()[:40], yes_no_read(value_text)
        judged.unit = run.unit if word is not None and not unit_text.strip() else _unit(unit_text, run)
        if word is None or judged.flag:
            judged.quantity = _quantity(value_text, judged.flag)
        else:
            judged.quantity, judged.says, judged.yes_no = _limit(word, judged.serial, run), word, True
        if not read_text.strip() and (judged.serial, line.running_number, _value(line)) in run.stored:
            raise Refusal(
                "same_as_before",
                _(
                    "A reading just like this one was stored from an earlier run, and the line has no time. Send the line"
                    " with its time, so that the two can be told apart."
                ),
            )
        judged.read_at, judged.analysed_on = _moment(read_text, run)
        _check_age(fact, judged.analysed_on)
        _take(judged, fact, run)
    except Refusal as refusal:
        judged.verdict, judged.sentence, judged.event = refusal.verdict, refusal.sentence, refusal.event
        if refusal.event and judged.serial in samples:
            samples[judged.serial].state = "unsuitable"
    return judged


def _on_the_bench(serial: str, samples: dict[str, SampleFact]) -> SampleFact:
    fact = samples.get(serial)
    if fact is None:
        raise Refusal("unknown_serial", _("No kit of this programme has this serial. Look at the vial."))
    if fact.sample_id is None:
        raise Refusal(
            "not_returned",
            _("This kit has not come through the post desk as ready. Log it, then load the line again."),
        )
    if fact.state in WAS_MEASURED:
        raise Refusal(
            "already_measured", _("This sample was measured already. A person must look at both readings.")
        )
    if fact.state not in ON_THE_BENCH:
        raise Refusal(
            "not_on_the_bench", _("This sample was taken off the bench as not usable. Look at the vial.")
        )
    return fact


def _unit(text: str, run: RunFacts) -> str:
    unit = unit_read(text)
    if unit is None:
        raise Refusal(
            "unknown_unit",
            _("“%(unit)s” is not a unit we know. Send ng/mL or ug/g.") % {"unit": text.strip()[:20]},
        )
    if unit != run.unit:
        raise Refusal(
            "wrong_unit",
            _(
                "The line is in %(unit)s, but this run was opened with %(confirmed)s on the display. Find out which is true."
            )
            % {"unit": Unit(unit).label, "confirmed": Unit(run.unit).label},
        )
    return unit


def _quantity(text: str, flag: str) -> Quantity | None:
    if flag and not text.strip():
        return None
    try:
        quantity = parse_reading(text)
    except ReadingError as error:
        if flag:
            return None
        raise Refusal(error.code.value, error.sentence) from None
    if quantity.value >= LARGEST:
        raise Refusal("reading_too_large", _("No sample can read that much. Look at the analyser's display."))
    return quantity


def _limit(says: bool, serial: str, run: RunFacts) -> Quantity:
    """What a yes or no says: at or above, or below, the analyser's own limit; refused where that is not the cutoff."""
    if run.limit is None:
        raise Refusal(
            "qualitative_only",
            _(
                "Only yes or no was sent, and no limit of the analyser was confirmed for this run. Send the number."
            ),
        )
    if serial in run.limit_wrong:
        raise Refusal("limit_differs", run.limit_wrong[serial])
    return Quantity(">" if says else "<", run.limit)


def _read_at(text: str, run: RunFacts) -> datetime | None:
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return when if when.tzinfo else when.replace(tzinfo=run.zone)


def _moment(text: str, run: RunFacts) -> tuple[datetime, date]:
    """When it was read, and the local day of that; an empty time is the moment of loading."""
    when = run.now
    if text.strip():
        read_at = _read_at(text, run)
        if read_at is None:
            raise Refusal(
                "read_at",
                _("“%(text)s” is not a date and time. Send it as 2026-06-17T10:42.")
                % {"text": text.strip()[:30]},
            )
        when = read_at
    if when > run.now + AHEAD:
        raise Refusal(
            "read_in_the_future", _("The reading's time is still to come. Set the analyser's clock.")
        )
    if when < run.opened_at - BEFORE_OPENING:
        raise Refusal(
            "read_before_the_run",
            _(
                "This was read before the run was opened with its controls, so no control stands before it. Measure it again."
            ),
        )
    return when, clock.local_day(when, run.zone.key)


def _check_age(fact: SampleFact, analysed_on: date) -> None:
    if (
        not fact.high_counts_when_old
        and fact.usable_until is not None
        and fact.collected_earliest is not None
        and analysed_on > fact.usable_until
    ):
        age = clock.days_between(fact.collected_earliest, analysed_on)
        limit = clock.days_between(fact.collected_earliest, fact.usable_until)
        raise Refusal(
            "over_age",
            _(
                "The sample may have been %(age)s days old when measured; at most %(limit)s are allowed. A new kit is sent."
            )
            % {"age": age, "limit": limit},
            event="spoil",
        )


def _take(judged: Judged, fact: SampleFact, run: RunFacts) -> None:
    if not judged.flag:
        judged.event, fact.state, judged.sentence = "measure", "measured", run.taken_words
    elif fact.state == "repeat":
        judged.event, fact.state = "give_up", "not_measurable"
        judged.sentence = _("Flagged again (%(flag)s): not measurable. A new kit is sent.") % {
            "flag": judged.flag
        }
    else:
        judged.event, fact.state = "flag", "repeat"
        judged.sentence = _("Flagged (%(flag)s). Measure it once more from the same vial.") % {
            "flag": judged.flag
        }
