"""The laboratory's pages: who may open them, what they say, and the day from opening to release through the forms."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from results.models import InboxLine, Reading, ReadingsFile, Referral, Result, Run, Sample
from results.routes_lab import ROUTES
from results.services.authorise import result_release_at_or_above, results_release_below
from results.services.runs import run_resolve
from results.urls_lab import urlpatterns
from screening.serials import serial_make
from staff.models import AccessEntry
from tests import cast
from tests import lab_bench as bench
from tests.looks import on_the_list

SignIn = Callable[[str], Client]


@pytest.mark.parametrize("role", sorted(cast.BY_ROLE))
@pytest.mark.parametrize("name", ["open-day", "readings", "release"])
def test_only_the_laboratory_opens_its_pages(signed_in: SignIn, role: str, name: str) -> None:
    answer = signed_in(cast.BY_ROLE[role]).get(reverse(f"results:{name}"))
    assert answer.status_code == (200 if role == "laboratory" else 403)


@pytest.mark.parametrize("role", sorted(cast.BY_ROLE))
def test_who_sees_a_persons_values(signed_in: SignIn, role: str) -> None:
    client, sample = signed_in(cast.BY_ROLE[role]), bench.a_sample()
    bench.measured([(sample, "63")])
    results_release_below(by=bench.lead())
    at = reverse("results:person-panel", args=[sample.person_id])
    if role in ("clinician", "coordinator"):
        assert client.get(at).url == reverse("screening:person", args=[sample.person_id]), (
            "nobody was asked why"
        )
        on_the_list(cast.BY_ROLE[role], sample.person_id)
    answer = client.get(at)
    if role in ("clinician", "coordinator", "laboratory"):
        assert "Results and referral" in answer.content.decode()
        assert "12.6 µg/g" in answer.content.decode()
        assert (
            AccessEntry.objects.filter(person_id=sample.person_id, place="results:person-panel").count() == 1
        )
    else:
        assert answer.status_code == 403


def test_every_address_has_a_door() -> None:
    assert {f"results:{one.name}" for one in urlpatterns} == set(ROUTES)


def opening(values: tuple[str, str] = ("91", "478"), unit: str = "ng/mL") -> dict[str, str]:
    lots = [lot for lot, _ in bench.controls()]
    return {"unit": unit, f"control_{lots[0].pk}": values[0], f"control_{lots[1].pk}": values[1]}


def ending(values: tuple[str, str]) -> dict[str, str]:
    return {f"end-{key}": value for key, value in opening(values).items() if key != "unit"}


def upload(content: bytes, name: str = "day.csv") -> dict[str, object]:
    return {"file": SimpleUploadedFile(name, content, "text/csv")}


def test_a_day_from_the_controls_to_the_release(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    low, high, odd = (bench.a_sample() for _ in range(3))
    page = client.get(reverse("results:open-day"), {"analyser": "Q1"})
    assert "ng/mL – controls read about 90 and 480" in page.content.decode()
    assert "µg/g – controls read about 18 and 96" in page.content.decode()
    answer = client.post(reverse("results:open-day") + "?analyser=Q1", opening())
    run = Run.objects.get()
    assert answer.url == reverse("results:run", args=[run.pk])
    assert low.serial in client.get(answer.url).content.decode()
    rows = [(low.serial, "5"), (high.serial, ">1000"), (odd.serial, "OVER"), (serial_make(77), "5")]
    answer = client.post(reverse("results:run-load", args=[run.pk]), upload(bench.a_file(rows)))
    page = client.get(answer.url).content.decode()
    assert "names no limit" in page
    assert "No kit of this programme has this serial" in page
    refused = client.get(reverse("results:readings-refused", args=[ReadingsFile.objects.get().pk]))
    assert refused.content.decode("utf-8-sig").count("\n") == 3
    answer = client.post(reverse("results:run-close", args=[run.pk]), ending(("91", "478")), follow=True)
    assert "Closed in control" in answer.content.decode()
    page = client.get(reverse("results:release")).content.decode()
    assert high.serial in page
    assert "Release 1 below" in page
    client.post(reverse("results:release-below"))
    one = reverse("results:release-one", args=[high.pk])
    assert "A referral opens" in client.get(one).content.decode()
    client.post(one)
    assert set(Result.objects.values_list("side", flat=True)) == {"below", "at_or_above"}
    assert Referral.objects.get().person == high.person
    assert "0 of 0" in client.get(reverse("results:release")).content.decode()


def test_controls_that_are_out_say_so_by_rule(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    answer = client.post(reverse("results:open-day") + "?analyser=Q1", opening(("18.1", "95.6")), follow=True)
    page = answer.content.decode()
    assert "Not yet" in page
    assert "1-3s" in page
    assert "look at the unit" in page
    chart = client.get(reverse("results:open-day"), {"analyser": "Q1"}).content.decode()
    assert "chart-controls" in chart


def test_wrong_forms_are_answered_in_place(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    assert client.post(reverse("results:open-day") + "?analyser=Q1", opening(("", "x"))).status_code == 422
    answer = client.post(reverse("results:open-day") + "?analyser=Q1", opening(unit="ug/g"))
    assert "Switch the display" in answer.content.decode()
    run = bench.an_open_run()
    assert client.post(reverse("results:run-close", args=[run.pk]), ending(("91", ""))).status_code == 422
    answer = client.post(reverse("results:readings"), {"run": run.pk, **upload(b"a;b\n")})
    assert "not separated by commas" in answer.content.decode()
    assert not ReadingsFile.objects.exists()


def test_a_held_run_is_settled_on_its_page(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    sample = bench.a_sample()
    run = bench.measured([(sample, "900")], end=bench.OUT)
    page = client.get(reverse("results:run", args=[run.pk])).content.decode()
    assert sample.serial in page
    assert "1-3s" in page
    facts = {"what": "retest", "resolution": "control lot was warm", "second": bench.lead().pk}
    for wrong in ({}, {"second_password": "guess"}):
        assert client.post(reverse("results:run-settle", args=[run.pk]), facts | wrong).status_code == 422
        sample.refresh_from_db()
        assert sample.state == "held"
    facts |= {"second_password": "tarnuvek-practice"}
    client.post(reverse("results:run-settle", args=[run.pk]), facts)
    sample.refresh_from_db()
    assert sample.state == "repeat"
    page = client.get(reverse("results:run", args=[run.pk])).content.decode()
    assert "never released" in page
    assert "held, settled: measured again" in page
    assert "0 samples held" not in page
    month = client.get(reverse("results:month") + f"?month={run.day:%Y-%m}").content.decode()
    assert "held, settled: measured again: control lot was warm" in month


def test_the_reason_why_a_held_run_stands_is_on_the_page_of_each_of_its_readings(signed_in: SignIn) -> None:
    client, low, high = signed_in(cast.LABORATORY), bench.a_sample(), bench.a_sample()
    run = bench.measured([(low, "10"), (high, "900")], end=bench.OUT)
    words = "a second vial of the control was in"
    run_resolve(by=bench.technician(), run=run, resolution=words, second=bench.lead(), retest=False)
    page = client.get(reverse("results:release-one", args=[low.pk])).content.decode()
    assert words in page
    assert (
        "held, then released by two people"
        in client.get(reverse("results:run", args=[run.pk])).content.decode()
    )
    shown = [one.split("</dd>")[0] for one in page.split("<dt>Reported</dt><dd>")[1:]]
    heading = page.split("</span> – ")[1].split("</h1>")[0]
    assert [one.split(" µg/g")[0] for one in shown] == [heading.split(" µg/g")[0]], "one figure"
    result_release_at_or_above(by=bench.lead(), sample=high, reason=words)
    day = client.get(reverse("results:release")).context["day"]
    assert (day["n"], day["percent"]) == (2, 50.0), "what is released already counts"


def test_a_file_that_was_wrong_as_a_whole_is_settled_with_one_note(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    file = bench.load(
        bench.an_open_run(), [(serial_make(n), "5") for n in (77, 78, 79)] + [("no serial", "5")]
    )
    address = reverse("results:readings-file", args=[file.pk])
    assert "Settle all 4 lines not taken" in client.get(address).content.decode()
    unknown = InboxLine.objects.get(serial=serial_make(77)).verdict
    settle = reverse("results:lines-settle", args=[file.pk])
    client.post(settle, {"note": "", "verdict": ""})
    assert InboxLine.objects.filter(settled_note="").count() == 4
    client.post(settle, {"note": "file of another laboratory", "verdict": unknown})
    assert [row.raw for row in InboxLine.objects.filter(settled_note="")] == ["4,no serial,5,ng/mL,,"]
    client.post(settle, {"note": "file of another laboratory", "verdict": ""})
    notes = set(InboxLine.objects.values_list("settled_note", flat=True))
    assert len(notes) == 1
    assert notes.pop().startswith("file of another laboratory (")


def test_lines_without_a_home_are_settled_with_a_note(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    bench.load(bench.an_open_run(), [(serial_make(77), "5")])
    line = InboxLine.objects.get()
    assert serial_make(77) in client.get(reverse("results:readings")).content.decode()
    client.post(reverse("results:line-settle", args=[line.pk]), {"note": "not ours"})
    assert "No line of any readings file waits" in client.get(reverse("results:readings")).content.decode()


def test_a_vial_that_cannot_be_measured_is_taken_off_the_bench(signed_in: SignIn) -> None:
    client, run, sample = signed_in(cast.LABORATORY), bench.an_open_run(), bench.a_sample()
    page = reverse("results:sample-off", args=[run.pk, sample.pk])
    client.post(page, {"note": ""})
    assert "Take it off" in client.get(reverse("results:run", args=[run.pk])).content.decode()
    client.post(page, {"note": "the vial leaks"})
    sample.refresh_from_db()
    sample.round.refresh_from_db()
    assert (sample.state, sample.round.state) == ("unsuitable", "kit_due")
    assert sample.moves.order_by("-seq").first().note == "the vial leaks"
    assert "cannot take" in client.post(page, {"note": "again"}, follow=True).content.decode()


def test_a_gap_is_explained_on_the_files_page(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    one, two = bench.a_sample(), bench.a_sample()
    file = bench.load(
        bench.an_open_run(), [(one.serial, "5", None, None, None, 1), (two.serial, "5", None, None, None, 3)]
    )
    assert (
        "running numbers break"
        in client.get(reverse("results:readings-file", args=[file.pk])).content.decode()
    )
    client.post(reverse("results:readings-gap", args=[file.pk]), {"note": "number 2 was the control"})
    assert Reading.objects.count() == 2


def test_a_person_decides_on_the_page_of_one_sample(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    sample = bench.a_sample()
    bench.measured([(sample, "<150")])
    page = reverse("results:release-one", args=[sample.pk])
    assert "A person decides" in client.get(page).content.decode()
    assert client.post(page, {"what": "below", "reason": ""}).status_code == 422
    client.post(page, {"what": "retest", "reason": "limit too high"})
    sample.refresh_from_db()
    assert sample.state == "repeat"
    assert AccessEntry.objects.filter(person_id=sample.person_id).exists()


@pytest.mark.usefixtures("region")
def test_the_command_loads_previews_and_answers_by_its_exit_status(
    tmp_path: Path, capsys: pytest.CaptureFixture
) -> None:
    sample, path = bench.a_sample(), tmp_path / "day.csv"
    bench.an_open_run()
    path.write_bytes(bench.a_file([(sample.serial, "5")]))
    call_command("load_readings", "Q1", str(path), "--by", cast.LABORATORY, "--dry-run")
    told = json.loads(capsys.readouterr().out)
    assert (told["taken"], told["dry_run"], Reading.objects.count()) == (1, True, 0)
    call_command("load_readings", "Q1", str(path), "--by", cast.LABORATORY)
    assert json.loads(capsys.readouterr().out)["taken"] == 1
    call_command("load_readings", "Q1", str(path), "--by", cast.LABORATORY)
    assert json.loads(capsys.readouterr().out)["known_before"] is True
    path.write_bytes(bench.a_file([(serial_make(77), "5")], first=2))
    with pytest.raises(SystemExit) as end:
        call_command("load_readings", "Q1", str(path), "--by", cast.LABORATORY)
    assert end.value.code == 3
    for wrong in (
        ["N1", str(path), "--by", "teshka"],
        ["Q1", "/nowhere.csv", "--by", "teshka"],
        ["Q1", str(path)],
    ):
        with pytest.raises(CommandError):
            call_command("load_readings", *wrong)
    assert Sample.objects.get().state == "measured"
