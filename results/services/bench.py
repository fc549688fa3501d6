"""At the bench: scanning a vial into a position before it is opened, capturing or parking it, and closing the day."""

from dataclasses import dataclass
from datetime import date, timedelta

from django.utils.translation import gettext as _

from results.models import (
    Analyser,
    BenchPlace,
    BenchSteps,
    DayClose,
    InboxLine,
    InboxMessage,
    Reading,
    ReadingsFile,
    Run,
    Sample,
    TypedReading,
)
from results.services.readings import run_locked_open
from results.services.readings_judging import ALREADY_STORED, TAKEN
from results.services.referrals_frame import closed_days_from
from results.services.samples import high_counts_when_old, samples_take_in
from results.services.typed import reading_type
from screening.models import KitModel
from screening.serials import SerialError, serial_read
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_move
from staff.models import User
from staff.roles import Pool, Role
from staff.working_days import working_days_after

State = BenchPlace.State


def places_settle(run: Run, *, frame: Acting) -> int:
    """Free the positions whose vial was read meanwhile, by file or message or by two typed entries."""
    rows = BenchPlace.objects.filter(run=run, state=State.LOADED).exclude(sample__state="in_run")
    return rows.update(state=State.CAPTURED, ended_at=frame.now)


def bench_load(*, by: User, run: Run, serial: str, position: int) -> BenchPlace:
    """Put a scanned vial into a free position of an open run, before it is opened.

    Raises RoundbookError in words: unknown or not ready, too old today, position taken or not of this analyser, or
    somebody still owes a reading of that position.
    """
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        run = run_locked_open(run)
        samples_take_in(by=by)
        places_settle(run, frame=frame)
        if not 1 <= position <= run.analyser.positions:
            raise RoundbookError(
                "position_unknown",
                _("%(analyser)s has positions 1 to %(n)s.")
                % {"analyser": run.analyser, "n": run.analyser.positions},
            )
        if BenchPlace.objects.filter(run=run, position=position, state=State.LOADED).exists():
            raise RoundbookError(
                "position_taken",
                _("Position %(n)s still holds a vial. Capture its reading or park it first.")
                % {"n": position},
            )
        sample = _sample_for(serial, frame)
        make_move(sample, "load", due_on=frame.today + timedelta(days=1), pool=Pool.LABORATORY)
        return BenchPlace.objects.create(
            run=run, sample=sample, position=position, loaded_at=frame.now, loaded_by=by
        )


def _sample_for(serial: str, frame: Acting) -> Sample:
    try:
        code = serial_read(serial)
    except SerialError as error:
        raise RoundbookError(error.code.value, error.sentence) from None
    sample = Sample.objects.filter(serial=code).first()
    if sample is None:
        raise RoundbookError(
            "not_returned", _("This kit has not come through the post desk as ready. Do not open the vial.")
        )
    if sample.state not in ("ready", "repeat"):
        raise IllegalMove(
            "not_on_the_bench",
            _("This sample is not waiting to be measured. Do not open the vial; look it up."),
        )
    if frame.today > sample.usable_until and not high_counts_when_old(sample):
        raise RoundbookError(
            "over_age", _("This sample is too old to be measured today. Take it off the bench.")
        )
    return sample


def bench_capture(
    *, by: User, place: BenchPlace, value: str, flag: str = "", running_number: int | None = None, dilution: int = 1
) -> TypedReading:  # fmt: skip
    """Keep the reading of a position as its first entry, and free the position."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        locked = _loaded(place)
        entry = reading_type(
            by=by, run=locked.run, serial=locked.sample.serial, value=value, flag=flag, running_number=running_number,
            dilution=dilution,
        )  # fmt: skip
        locked.state, locked.ended_at = State.CAPTURED, frame.now
        locked.save(update_fields=["state", "ended_at"])
    return entry


def bench_park(*, by: User, place: BenchPlace, note: str) -> BenchPlace:
    """Take a vial out of its position without a reading, in words; it waits on the bench again."""
    require_role(by, Role.LABORATORY)
    if not note.strip():
        raise RoundbookError("words_missing", _("Write why the vial is parked."))
    with acting(by, reason=note.strip()) as frame:
        locked = _loaded(place)
        make_move(
            locked.sample, "park", due_on=frame.today + timedelta(days=1), pool=Pool.LABORATORY, note=note.strip()
        )  # fmt: skip
        locked.state, locked.ended_at, locked.note = State.PARKED, frame.now, note.strip()[:200]
        locked.save(update_fields=["state", "ended_at", "note"])
    return locked


def _loaded(place: BenchPlace) -> BenchPlace:
    rows = BenchPlace.objects.select_for_update(of=("self",)).select_related("run__analyser", "sample")
    locked = rows.get(pk=place.pk)
    if locked.state != State.LOADED:
        raise IllegalMove("place_ended", _("This position was freed already."))
    return locked


PROZONE_WORDS = ("PROZONE", "HOOK", "ANTIGEN EXCESS")


def dilution_asked(sample: Sample) -> bool:
    """Whether blood was seen in the vial or the analyser suspected too much of it: very much can read low (job 2.8-6)."""
    if "visible_blood" in sample.return_of.remark:
        return True
    flags = sample.readings.exclude(flag="").values_list("flag", flat=True)
    return any(word in flag.upper() for flag in flags for word in PROZONE_WORDS)


def steps_for(kit_model: KitModel, analyser: Analyser, day: date) -> BenchSteps | None:
    """The approved steps in force for a kit model on an analyser; None while nobody has entered any."""
    rows = BenchSteps.objects.filter(
        kit_model=kit_model, analyser=analyser, valid_from__lte=day, confirmed_by__isnull=False
    )
    return rows.order_by("-valid_from", "-pk").first()


def steps_enter(*, by: User, steps: BenchSteps) -> BenchSteps:
    """Keep new steps from a leaflet; they are not walked before a second person has approved them."""
    require_role(by, Role.LABORATORY)
    with acting(by):
        if not steps.listed:
            raise RoundbookError("words_missing", _("Write at least one step."))
        steps.entered_by, steps.confirmed_by = by, None
        steps.save(force_insert=True)
    return steps


def expiring_first(today: date) -> list[Sample]:
    """Samples that will be too old before the laboratory's next working day: measure them today."""
    following = working_days_after(today, 1, closed_days_from(today - timedelta(days=1)))
    rows = Sample.objects.filter(state__in=["ready", "repeat"], usable_until__lt=following)
    return list(rows.order_by("usable_until", "pk")[:200])


@dataclass(frozen=True, slots=True)
class DaySum:
    """What was captured of an analyser on a day, and what has no home yet."""

    readings: int
    refused: int
    unsettled: int
    messages_waiting: int
    owed_second: int
    in_positions: int

    @property
    def captured(self) -> int:
        """Results that the analyser's memory must hold too."""
        return self.readings + self.refused


def day_sum(analyser: Analyser, day: date) -> DaySum:
    """Count what came from one analyser in the runs of one day."""
    runs = Run.objects.filter(analyser=analyser, day=day)
    files = ReadingsFile.objects.filter(run__in=runs).values("pk")
    refused = InboxLine.objects.filter(file_id__in=files).exclude(
        verdict__in=[TAKEN, ALREADY_STORED, "corrected"]
    )
    return DaySum(
        readings=Reading.objects.filter(run__in=runs).count(),
        refused=refused.count(),
        unsettled=InboxLine.objects.filter(file_id__in=files, settled_note="").exclude(verdict=TAKEN).count(),
        messages_waiting=InboxMessage.objects.filter(analyser=analyser, settled_note="", file__isnull=True)
        .exclude(verdict="matched")
        .count(),
        owed_second=TypedReading.objects.filter(run__in=runs, state=TypedReading.State.FIRST).count(),
        in_positions=BenchPlace.objects.filter(
            run__in=runs, state=State.LOADED, sample__state="in_run"
        ).count(),
    )


def day_close(*, by: User, analyser: Analyser, memory_count: int, note: str = "") -> DayClose:
    """Close today on an analyser: runs ended, nothing without a home, and as many results here as in its memory."""
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        if DayClose.objects.filter(analyser=analyser, day=frame.today).exists():
            raise IllegalMove("day_closed", _("This day was closed already."))
        open_run = Run.objects.filter(analyser=analyser, status=Run.Status.OPEN).first()
        if open_run is not None:
            raise RoundbookError(
                "run_open", _("%(run)s is open. Close it with its controls first.") % {"run": open_run}
            )
        found = day_sum(analyser, frame.today)
        trouble = _day_trouble(found, memory_count)
        if trouble:
            raise RoundbookError("day_not_even", trouble)
        return DayClose.objects.create(
            analyser=analyser, day=frame.today, memory_count=memory_count, captured_count=found.captured,
            note=note.strip(), closed_by=by, closed_at=frame.now,
        )  # fmt: skip


def _day_trouble(found: DaySum, memory_count: int) -> str:
    if found.unsettled or found.messages_waiting:
        return _("%(n)s lines or messages have no home yet. Settle them first.") % {
            "n": found.unsettled + found.messages_waiting
        }
    if found.owed_second:
        return _("%(n)s typed readings wait for their second entry.") % {"n": found.owed_second}
    if found.in_positions:
        return _("%(n)s vials are still in their positions. Capture or park them.") % {
            "n": found.in_positions
        }
    if memory_count != found.captured:
        return _(
            "The analyser's memory holds %(memory)s results, %(captured)s were captured here. Compare the lists before the"
            " day is closed."
        ) % {"memory": memory_count, "captured": found.captured}
    return ""
