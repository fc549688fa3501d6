"""The file to try readings with: it fits the vials on the bench, its faults are faults, and it is for a demo only."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from oversight.models import Rehearsal
from results.models import InboxLine, Reading, ReadingsFile
from results.services.readings import readings_load
from staff import clock
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")


def written(**options: object) -> bytes:
    out = StringIO()
    call_command("readings_to_try", stdout=out, **options)
    return out.getvalue().encode()


def a_demo() -> None:
    today = clock.today()
    Rehearsal.objects.create(
        status=Rehearsal.Status.DONE, invited=1, seed=1, first_day=today - timedelta(days=1), today=today
    )


def loaded(content: bytes) -> ReadingsFile:
    return readings_load(by=bench.technician(), run=bench.an_open_run(), name="try.csv", content=content)


def verdicts(file: ReadingsFile) -> list[str]:
    return list(InboxLine.objects.filter(file_id=file.pk).order_by("line").values_list("verdict", flat=True))


def test_nothing_is_invented_for_a_real_register() -> None:
    bench.a_sample()
    with pytest.raises(CommandError, match="not a demo region"):
        written()


def test_an_empty_bench_is_said() -> None:
    a_demo()
    with pytest.raises(CommandError, match="No vial waits"):
        written()


def test_every_line_of_the_good_file_is_taken() -> None:
    a_demo()
    samples = [bench.a_sample() for _ in range(7)]
    file = loaded(written())
    assert (file.lines, file.taken) == (7, 7)
    assert Reading.objects.filter(sample__in=samples).count() == 7


def test_the_faulty_lines_are_answered_and_the_rest_taken() -> None:
    a_demo()
    for _ in range(9):
        bench.a_sample()
    file = loaded(written(bad=True))
    found = verdicts(file)
    assert found[:5] == ["taken"] * 5
    assert found[5:8] == ["reading_blank", "reading_decimal_comma", "reading_text"]
    assert found[8] == "taken", "a flag is a reading that asks for another"
    assert found[9:] == ["unknown_serial", "sequence_broken"]
