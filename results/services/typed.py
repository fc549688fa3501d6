"""Readings typed from a display: twice, blind, by two people; only when both agree is there a reading (job 2.8-12)."""

import random
from datetime import timedelta

from django.utils.translation import gettext as _

from results.classify import Side
from results.lab_formats.csv_readings import RawLine
from results.models import Reading, Run, Sample, TypedReading
from results.services.authorise_facts import side_of
from results.services.readings import run_lines_judge, run_locked_open, samples_move
from results.services.readings_judging import Judged
from results.services.samples import rounds_without_usable_kit, samples_take_in
from results.units import ReadingError, parse_reading
from results.yes_no import yes_no_read
from screening.serials import SerialError, serial_read
from screening.services.policies import policy_on
from staff import clock
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import User
from staff.roles import Role

State = TypedReading.State
OWN_AGAIN = timedelta(minutes=30)
"""After so long the typist of a clinic of one desk may enter a reading below again, blind (ruling R14)."""


def reading_type(
    *, by: User, run: Run, serial: str, value: str, flag: str = "", running_number: int | None = None, dilution: int = 1
) -> TypedReading:  # fmt: skip
    """Keep the first entry of a reading; it counts for nothing until another person has typed the same.

    `dilution` is how many times the sample was diluted before it was read; the class is that of value × dilution.

    Raises RoundbookError, in words, when the reading could not be taken anyway; nothing is stored then.
    """
    require_role(by, Role.LABORATORY)
    if not 1 <= dilution <= 1000:
        raise RoundbookError("dilution", _("A dilution is 1 to 1 up to 1 to 1000."))
    if dilution != 1 and yes_no_read(value) is not None:
        raise RoundbookError(
            "dilution", _("A diluted sample needs a number; a yes or no says nothing of it.")
        )
    with acting(by) as frame:
        run = run_locked_open(run)
        samples_take_in(by=by)
        _line, sample_id = _judged(run, _serial(serial), value, flag, running_number, frame)
        if TypedReading.objects.filter(sample_id=sample_id, state=State.FIRST).exists():
            raise IllegalMove(
                "typed_before", _("A first entry of this sample waits for its second. Type the second one.")
            )
        return TypedReading.objects.create(
            run=run, sample_id=sample_id, running_number=running_number, raw=value.strip()[:40],
            flag=flag.strip()[:40], dilution=dilution, typed_by=by, typed_at=frame.now,
        )  # fmt: skip


def _serial(text: str) -> str:
    try:
        return serial_read(text)
    except SerialError as error:
        raise RoundbookError(error.code.value, error.sentence) from None


def _judged(
    run: Run, serial: str, value: str, flag: str, running_number: int | None, frame: Acting
) -> tuple[Judged, int]:
    number = "" if running_number is None else str(running_number)
    fields = (number, serial, value.strip(), run.unit, flag.strip(), "")
    line = RawLine(1, ",".join(fields), fields, numberless=running_number is None)
    (judged,) = run_lines_judge(run, [line], frame, by_message=True)
    if not judged.stored or judged.sample_id is None:
        raise RoundbookError(judged.verdict, judged.sentence)
    return judged, judged.sample_id


def typed_waiting(*, by: User) -> list[TypedReading]:
    """First entries that wait for their second, shuffled so that the order tells nothing: those of others, and in a
    clinic of one desk one's own after half an hour (R14)."""
    rows = [
        row
        for row in TypedReading.objects.filter(state=State.FIRST).select_related("sample", "run__analyser")
        if row.typed_by_id != by.pk or own_again(row)
    ]
    random.Random(f"{by.pk} {len(rows)}").shuffle(rows)  # noqa: S311 - an order that tells nothing, no secret
    return rows


def own_again(row: TypedReading) -> bool:
    """Whether the typist may enter it again: one desk, half an hour later, and below the cutoff as it was typed (R14)."""
    now = clock.now()
    if now < row.typed_at + OWN_AGAIN or not policy_on(clock.today()).one_desk:
        return False
    try:
        quantity = parse_reading(row.raw)
    except ReadingError:
        return False
    return not row.flag and side_of(row.sample_id, quantity, row.run.unit, row.dilution) is Side.BELOW


def reading_type_again(*, by: User, entry: TypedReading, value: str, flag: str = "") -> TypedReading:
    """The second, blind entry. Equal entries become the reading; different ones are kept apart and typed anew."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        run = run_locked_open(entry.run)
        row = TypedReading.objects.select_for_update(of=("self",)).select_related("sample").get(pk=entry.pk)
        if row.state != State.FIRST:
            raise IllegalMove("typed_before", _("This reading was typed twice already."))
        if row.typed_by_id == by.pk and not own_again(row):
            raise NotAllowed(
                "typed_by_yourself", _("You typed the first entry; somebody else types the second.")
            )
        row.again_raw, row.again_flag, row.again_by, row.again_at = value.strip()[:40], flag.strip()[:40], by, frame.now  # fmt: skip
        row.state = State.AGREED if _same(row) else State.DIFFERS
        if row.state == State.AGREED:
            judged, sample_id = _judged(run, row.sample.serial, row.raw, row.flag, row.running_number, frame)
            row.reading = _store(judged, sample_id, run, dilution=row.dilution, by=by, frame=frame)
        row.save(update_fields=["again_raw", "again_flag", "again_by", "again_at", "state", "reading"])
    return row


def _same(row: TypedReading) -> bool:
    """Whether two entries mean the same number and flag: `23.40` is `23.4`, `< 4` is `<4`."""
    if row.flag.upper() != row.again_flag.upper():
        return False
    try:
        one, other = parse_reading(row.raw), parse_reading(row.again_raw)
    except ReadingError:
        return row.raw == row.again_raw
    return (one.comparator, one.value) == (other.comparator, other.value)


def _store(judged: Judged, sample_id: int, run: Run, *, dilution: int, by: User, frame: Acting) -> Reading:
    quantity = judged.quantity
    reading = Reading.objects.create(
        sample_id=sample_id, run=run, running_number=judged.line.running_number or 0,
        raw=judged.line.fields[2][:40] if judged.line.fields else "", comparator=quantity.comparator if quantity else "",
        value=quantity.value if quantity else None, analyser_says=judged.says, qualitative=judged.yes_no, unit=judged.unit, flag=judged.flag, dilution=dilution,
        analysed_on=judged.analysed_on or frame.today, read_at=frame.now,
    )  # fmt: skip
    samples_move(judged.event, {sample_id: judged.sentence}, due=frame.today + timedelta(days=1))
    if judged.event == "give_up":
        rounds_without_usable_kit(by=by, sample_ids=[sample_id], reasons={sample_id: "flagged_twice"})
    return reading


def typists_of(sample: Sample) -> set[int]:
    """Everybody who typed a reading of this sample; none of them releases it, unless `typed_alone` lets them (R14)."""
    rows = TypedReading.objects.filter(sample=sample).values_list("typed_by_id", "again_by_id")
    return {who for pair in rows for who in pair if who is not None}


def typed_alone(sample: Sample, by: User) -> bool:
    """Whether every reading of a sample was typed twice by this one person under the rule for a clinic of one desk."""
    rows = list(TypedReading.objects.filter(sample=sample).exclude(state=State.FIRST))
    own = all(row.typed_by_id == row.again_by_id == by.pk and row.state == State.AGREED for row in rows)
    return bool(rows) and own and policy_on(clock.today()).one_desk
