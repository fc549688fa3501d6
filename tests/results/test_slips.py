"""Check samples at secret positions: a slip is named, holds the run, and leads to a look-back when it is found late."""

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from results.models import Run, Sample
from results.services.authorise import results_release_below
from results.services.runs import run_close
from results.services.runs_controls import run_sentence
from results.services.slips import slip_check, slip_rows
from screening.serials import serial_make
from staff.errors import RoundbookError
from tests import cast
from tests import lab_bench as bench

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]
EXPECTED = "3, 440, 560\n"
"""The check sample stands at running number 3 and reads about 500 ng/mL."""


def a_rack(at: int) -> tuple[Run, list[Sample]]:
    """Five readings, of which the check sample's comes at a running number."""
    run, samples = bench.an_open_run(), [bench.a_sample() for _ in range(4)]
    rows: list[tuple[object, ...]] = [(sample.serial, "<20") for sample in samples]
    rows.insert(at - 1, (serial_make(77), "498"))
    assert bench.load(run, rows).taken == 4
    return run, samples


@pytest.mark.parametrize(("at", "shift", "status"), [(3, 0, "in_control"), (4, 1, "held"), (2, -1, "held")])
def test_h4_a_slip_told_by_a_check_sample_holds_the_run(at: int, shift: int, status: str) -> None:
    # Source: job 2.8-11: a known control at a secret position.
    run, _samples = a_rack(at)
    check = slip_check(by=bench.technician(), run=run, text=EXPECTED)
    assert check.shift == shift
    assert [row.fits for row in slip_rows(run, EXPECTED)] == [shift == 0]
    run = run_close(by=bench.technician(), run=run, readings=bench.controls())
    assert run.status == status
    assert ("Compare the list with the rack" in run_sentence(run)) is (shift != 0)
    assert results_release_below(by=bench.lead()) == (4 if shift == 0 else 0)


def test_one_that_nothing_explains_holds_too_and_a_corrected_list_frees() -> None:
    run, _samples = a_rack(3)
    assert slip_check(by=bench.technician(), run=run, text="3, 1, 2").shift is None
    assert slip_check(by=bench.lead(), run=run, text=EXPECTED).shift == 0
    assert run_close(by=bench.technician(), run=run, readings=bench.controls()).status == "in_control"


@pytest.mark.parametrize("text", ["", "x", "3, 5", "3, 9, 5", "3, 1, 2\n3, 1, 2", "3, nan, 5", "3,1,2,4"])
def test_a_list_that_cannot_be_read_is_refused_in_words(text: str) -> None:
    run, _samples = a_rack(3)
    with pytest.raises(RoundbookError) as refused:
        slip_check(by=bench.technician(), run=run, text=text)
    assert str(refused.value.sentence).endswith((".", "number."))
    assert not run.slip_checks.exists()


def test_the_page_says_what_fits_and_leads_on_to_a_look_back(signed_in: SignIn) -> None:
    client = signed_in(cast.LABORATORY)
    run, _samples = a_rack(4)
    run_close(by=bench.technician(), run=run, readings=bench.controls())
    address = reverse("results:slip", args=[run.pk])
    assert address in client.get(reverse("results:run", args=[run.pk])).content.decode()
    assert client.post(address, {"text": "nonsense"}).status_code == 422
    page = client.post(address, {"text": EXPECTED}, follow=True).content.decode()
    assert "+1 places off" in page
    assert "does not read here" in page
    assert f"{reverse('results:look-back-new')}?kind=run&amp;ref={run.pk}" in page
