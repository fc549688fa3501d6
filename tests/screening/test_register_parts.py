"""A file that is read part by part comes to the same as one that is read at once, also where one number stands in two parts."""

from pathlib import Path
from unittest import mock

import pytest

from screening.models import RefusedLine, RegisterLoad, StagedPerson
from screening.services import register_lines
from screening.services.register import register_apply, register_stage
from tests import cast

pytestmark = pytest.mark.usefixtures("region")
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
STAGED = [f.attname for f in StagedPerson._meta.concrete_fields if f.attname not in {"load_id", "pk"}]


def _lines(*, twice: bool) -> list[str]:
    bad = (FIXTURES / "register_bad_rows.csv").read_text().split("\n")[1:]
    lines = (FIXTURES / "register_500.csv").read_text().strip().split("\n")
    lines[40:40] = ["", *bad[:6], " "]
    if twice:
        lines.append(lines[60])
        lines.append(lines[70].replace(",female,", ",male,").replace(",male,", ",other,"))
    return lines


def _came_to(content: bytes, part: int) -> tuple[list[object], list[object], tuple[int, int]]:
    with mock.patch.object(register_lines, "PART", part):
        load = register_stage(by=cast.member(cast.ADMINISTRATOR), content=content, file_name="parts.csv")
    good = list(StagedPerson.objects.filter(load=load).order_by("line").values_list(*STAGED))
    bad = list(RefusedLine.objects.filter(load=load).values_list("line", "code", "sentence", "raw"))
    counts = (load.lines, load.refused)
    StagedPerson.objects.filter(load=load).delete()
    load.delete()
    return good, bad, counts


@pytest.mark.parametrize("twice", [False, True])
def test_parts_come_to_what_the_whole_comes_to(twice: bool) -> None:
    content = "\n".join(_lines(twice=twice)).encode()
    whole = _came_to(content, len(content))
    assert whole[1], "some lines are refused"
    assert {"number_twice", "line_twice"} <= {code for _line, code, *_rest in whole[1]} or not twice
    assert _came_to(content, 1_000) == whole
    assert _came_to(content, 7_777) == whole


def test_a_fault_in_a_late_part_leaves_nothing_of_the_first() -> None:
    content = "\n".join(_lines(twice=False)).encode() + b"\n\xff,broken\n"
    with mock.patch.object(register_lines, "PART", 1_000), pytest.raises(Exception, match="not UTF-8"):
        register_stage(by=cast.member(cast.ADMINISTRATOR), content=content, file_name="late.csv")
    assert not StagedPerson.objects.exists()
    assert not RegisterLoad.objects.exists()


def test_a_file_in_parts_is_applied_as_any() -> None:
    content = "\n".join(_lines(twice=True)).encode()
    by = cast.member(cast.ADMINISTRATOR)
    with mock.patch.object(register_lines, "PART", 1_000):
        load = register_apply(by=by, load=register_stage(by=by, content=content, file_name="parts.csv"))
    assert load.created == load.lines - load.refused
    with mock.patch.object(register_lines, "PART", 1_000):
        again = register_stage(by=by, content=content + b"\n", file_name="again.csv")
    assert (again.changed, again.created, again.refused) == (0, 0, load.refused)
