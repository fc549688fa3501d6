"""A laboratory bench for tests: ready samples, runs with their controls, and readings files."""

from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal

from results.models import Analyser, ControlLot, ReadingsFile, Run, Sample
from results.services.readings import readings_load
from results.services.runs import run_close, run_open
from results.services.samples import samples_take_in
from screening.models import Round
from staff import clock
from staff.models import User
from tests import cast, factories

HEADER = "running_number,serial,value,unit,flag,read_at"
GOOD = (Decimal("91"), Decimal("478"))
OUT = (Decimal("91"), Decimal("480") + Decimal("3.1") * Decimal("22.5"))


def technician() -> User:
    return cast.member(cast.LABORATORY)


def lead() -> User:
    return cast.member(cast.LAB_LEAD)


def analyser(code: str = "Q1") -> Analyser:
    return Analyser.objects.get(code=code)


def controls(values: Sequence[Decimal] = GOOD, code: str = "Q1") -> list[tuple[ControlLot, Decimal]]:
    lots = ControlLot.objects.filter(analyser__code=code).order_by("level")
    return list(zip(lots, values, strict=False))


def an_open_run(code: str = "Q1", unit: str = "ng/mL") -> Run:
    run = run_open(by=technician(), analyser=analyser(code), unit=unit, readings=controls(code=code))
    assert run.status == "open"
    return run


def a_sample(round_: Round | None = None, *, collected: date | None = None) -> Sample:
    back = factories.a_ready_return(round_, collected=collected)
    samples_take_in(by=technician())
    return Sample.objects.get(return_of=back)


def a_file(rows: Sequence[tuple[object, ...]], *, first: int = 1) -> bytes:
    """Rows of (serial, value, unit, flag, read_at, running number), all but the first two optional."""
    lines = [HEADER]
    for number, row in enumerate(rows, start=first):
        serial, value, *rest = row
        unit, flag, read_at, own = [*rest, *[None] * 4][:4]
        lines.append(
            f"{number if own is None else own},{serial},{value},{unit or 'ng/mL'},{flag or ''},{read_at or ''}"
        )
    return ("\n".join(lines) + "\n").encode()


def load(run: Run, rows: Sequence[tuple[object, ...]], *, first: int = 1) -> ReadingsFile:
    content = a_file(rows, first=first)
    return readings_load(by=technician(), run=run, name="bench.csv", content=content)


def measured(values: Sequence[tuple[Sample, object]], *, end: Sequence[Decimal] = GOOD) -> Run:
    """A run in which these samples read so, closed with these end controls."""
    last = Run.objects.filter(analyser=analyser()).count()
    run = an_open_run()
    load(run, [(sample.serial, value) for sample, value in values], first=1 + 1000 * last)
    return run_close(by=technician(), run=run, readings=controls(end))


def stamp(moment: datetime | None = None) -> str:
    """The laboratory's local time as message formats write it."""
    return (moment or clock.now()).astimezone(clock.zone()).strftime("%Y%m%d%H%M%S")


def obx(serial: str, value: str, **said: str) -> list[str]:
    """OBR and OBX of one specimen; `kind`, `unit`, `code`, `says`, `status`, `number`, `read_at`, `note` may be given."""
    given = {
        "kind": "NM", "unit": "ng/mL", "code": "58453-2", "says": "", "status": "F", "number": "", "read_at": stamp(),
    } | said  # fmt: skip
    rows = [
        f"OBR|1|ORD1|{serial}|58453-2^Hemoglobin^LN",
        f"OBX|1|{given['kind']}|{given['code']}^Hemoglobin^LN|{given['number']}|{value}|{given['unit']}|<100|"
        f"{given['says']}|||{given['status']}|||{given['read_at']}",
    ]
    return [*rows, f"NTE|1||{given['note']}"] if "note" in given else rows


def oru(*groups: list[str], control_id: str = "MSG1", sender: str = "Q1", **head: str) -> bytes:
    """An ORU^R01 message of these groups of segments."""
    given = {"type": "ORU^R01^ORU_R01", "mode": "P", "version": "2.5.1", "charset": ""} | head
    msh = (
        f"MSH|^~\\&|{sender}|LAB|REGISTRY|PROGRAMME|{stamp()}||{given['type']}|{control_id}|{given['mode']}|"
        f"{given['version']}||||||{given['charset']}"
    )
    rows = [msh, "PID|1", *(row for group in groups for row in group)]
    return ("\r".join(rows) + "\r").encode()


def lis2(*results: tuple[str, str], sender: str = "Q1", **said: str) -> bytes:
    """An LIS2-A2 message with one R record a specimen."""
    given = {
        "unit": "ng/mL",
        "says": "",
        "status": "F",
        "number": "",
        "mode": "P",
        "version": "LIS2-A2",
    } | said
    rows = [rf"H|\^&|||{sender}^1|||||||{given['mode']}|{given['version']}|{stamp()}", "P|1"]
    for nth, (serial, value) in enumerate(results, start=1):
        rows.append(f"O|{nth}|{serial}|{given['number']}|^^^FHB|R")
        rows.append(f"R|1|^^^FHB|{value}|{given['unit']}||{given['says']}||{given['status']}||||{stamp()}")
        if "note" in given:
            rows.append(f"C|1|I|{given['note']}|G")
    return ("\r".join([*rows, "L|1|N"]) + "\r").encode()


def now_text(moment: datetime | None = None) -> str:
    return (moment or clock.now()).isoformat()
