"""Results as HL7 v2.5.1 ORU^R01: read back by an independent parser and by our own reader, over HTTP and as files.

Sources: HL7 v2.5.1 chapters 2 and 7 and its tables 0085, 0123 and 0078, as carried by the parser's own 2.5.1 structures.
"""

import json
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message

from results.lab_formats.hl7_oru import message_read
from results.lab_formats.observations import Status
from results.models import Result
from results.services.authorise import result_release_at_or_above, results_release_below
from results.services.authorise_amend import result_amend, result_withdraw
from screening.models import KitModel, Person, Return
from staff.models import AccessEntry, Site
from tests import lab_bench as bench
from tests.api.program import Program, a_token

pytestmark = pytest.mark.usefixtures("region")
ER7 = "application/hl7-v2"


def released(raw: str) -> Result:
    sample = bench.a_sample()
    bench.measured([(sample, raw)])
    results_release_below(by=bench.lead())
    if not sample.results.exists():
        result_release_at_or_above(by=bench.lead(), sample=sample)
    return sample.results.get()


def message_of(result: Result) -> str:
    answer = Program(a_token("laboratory")).get(f"/api/results/{result.pk}/hl7", Accept=ER7)
    assert (answer.status, answer.headers["Content-Type"]) == (200, ER7)
    return answer.data


def parsed(text: str):
    """The message by the independent parser, strictly by the structure of ORU_R01."""
    message = parse_message(text, validation_level=VALIDATION_LEVEL.TOLERANT, find_groups=True)
    assert message.validate()
    return message


def parts(text: str) -> tuple:
    """(PID, OBR, OBX, SPM) by the independent parser."""
    group = parsed(text).oru_r01_patient_result
    order = group.oru_r01_order_observation
    return group.oru_r01_patient.pid, order.obr, order.oru_r01_observation.obx, order.oru_r01_specimen.spm


@pytest.mark.parametrize(("raw", "kind", "value", "says", "ours"), [
    ("12.5", "NM", "2.5", "N", "2.5"), ("900", "NM", "180.0", "A", "180.0"), ("<10", "SN", "<^2.0", "N", "<2.0"),
    (">1000", "SN", ">^200.0", "A", ">200.0"), ("99.75", "NM", "20.0", "A", "20.0"),
])  # fmt: skip
def test_a_result_is_read_back_by_both_readers(raw: str, kind: str, value: str, says: str, ours: str) -> None:
    result = released(raw)
    text = message_of(result)
    pid, obr, obx, spm = parts(text)
    assert (obx.obx_2.value, obx.obx_5.to_er7(), obx.obx_6.to_er7(), obx.obx_8.to_er7(), obx.obx_11.value) == (
        kind, value, "ug/g", says, "F",
    )  # fmt: skip
    assert (obx.obx_3.obx_3_1.value, obx.obx_3.obx_3_3.value, obx.obx_7.value) == ("27396-1", "LN", "<20")
    assert (obr.obr_3.to_er7(), obr.obr_25.value, spm.spm_2.to_er7()) == (
        result.sample.serial,
        "F",
        result.sample.serial,
    )
    number = result.person.identifiers.get().value
    assert (pid.pid_3.pid_3_1.value, pid.pid_5.pid_5_1.to_er7()) == (number, result.person.family_name)
    (one,) = message_read(text.encode()).observations
    assert (one.error, one.specimen, one.value, one.unit, one.status, one.says) == (
        None, result.sample.serial, ours, "ug/g", Status.FINAL, says == "A",
    )  # fmt: skip


def test_an_amendment_is_corrected_and_a_withdrawal_deletes() -> None:
    old = released("63")
    KitModel.objects.filter(name="Tarn 12").update(stool_mg=6)
    new = result_amend(by=bench.lead(), result=old, reason="wrong mass", second=bench.technician())
    refused = Program(a_token("laboratory")).get(f"/api/results/{old.pk}/hl7")
    assert (refused.status, refused.data["code"]) == (409, "result_not_current")
    text = message_of(new)
    _pid, obr, obx, _spm = parts(text)
    assert (obr.obr_25.value, obx.obx_11.value, obx.obx_5.to_er7()) == ("C", "C", "25.2")
    assert message_read(text.encode()).observations[0].status is Status.CORRECTED
    result_withdraw(by=bench.lead(), result=new, reason="a neighbour's vial", second=bench.technician())
    gone = message_of(new)
    _pid, obr, obx, _spm = parts(gone)
    assert (obr.obr_25.value, obx.obx_11.value, obx.obx_5.to_er7()) == ("X", "D", "")
    (one,) = message_read(gone.encode()).observations
    assert (one.status, one.value, one.error) == (Status.DELETED, "", None)
    assert gone.split("|")[9] != text.split("|")[9]


def test_names_days_and_marks_come_through_whole() -> None:
    result = released("12.5")
    Person.objects.filter(pk=result.person_id).update(
        family_name="O|Fen^w\\irth & ~Söhne", given_names="Lióra\rMara", birth_date=None, sex="unknown", address_1="7 Backhouse",
        hidden_address=True,
    )  # fmt: skip
    Return.objects.filter(pk=result.sample.return_of_id).update(collected_latest="2026-06-16")
    text = message_of(result)
    pid, obr, _obx, spm = parts(text)
    assert pid.pid_5.pid_5_1.to_er7() == "O\\F\\Fen\\S\\w\\E\\irth \\T\\ \\R\\Söhne"
    assert (pid.pid_5.pid_5_2.value, pid.pid_7.to_er7(), pid.pid_8.value) == ("Lióra Mara", "", "U")
    assert (obr.obr_7.to_er7(), obr.obr_8.to_er7(), spm.spm_17.to_er7()) == (
        "20260615",
        "20260616",
        "20260615^20260616",
    )
    assert "Backhouse" not in text


def test_it_is_journalled_and_a_laboratory_gets_its_own_alone() -> None:
    result = released("12.5")
    before = AccessEntry.objects.filter(person_id=result.person_id).count()
    answer = Program(a_token("laboratory")).get(f"/api/results/{result.pk}/hl7")
    assert answer.data == {"number": f"RB{result.pk}", "message": message_of(result)}
    assert AccessEntry.objects.filter(person_id=result.person_id).count() == before + 2
    other = Site.objects.exclude(pk=result.run.analyser.site_id).first().code
    theirs = Program(a_token("laboratory", other))
    assert theirs.get(f"/api/results/{result.pk}/hl7", Accept=ER7).status == 404
    assert theirs.get("/api/results/999999999/hl7").data["code"] == "result_unknown"
    assert AccessEntry.objects.filter(person_id=result.person_id).count() == before + 2


def run(folder: Path, *given: str) -> dict:
    out = StringIO()
    call_command("write_results", str(folder), "--json", *given, stdout=out, stderr=StringIO())
    return json.loads(out.getvalue())


def test_files_once_each_and_a_withdrawal_is_a_new_file(tmp_path: Path) -> None:
    one, two = released("12.5"), released("900")
    folder = tmp_path / "out"
    assert (run(folder, "--dry-run")["written"], folder.exists()) == (2, False)
    assert (run(folder)["written"], run(folder)["written"], run(folder)["before"]) == (2, 0, 2)
    assert run(folder, "--since", "2026-06-18") == {
        "since": "2026-06-18",
        "written": 0,
        "before": 0,
        "dry_run": False,
    }
    result_withdraw(by=bench.lead(), result=one, reason="a neighbour's vial", second=bench.technician())
    assert run(folder)["written"] == 1
    assert {path.name for path in folder.iterdir()} == {
        f"RB{one.pk}.hl7",
        f"RB{one.pk}W.hl7",
        f"RB{two.pk}.hl7",
    }
    assert (folder / f"RB{two.pk}.hl7").read_bytes() == message_of(two).encode()
