"""The laboratory's pages at 200 % zoom, light and dark: nothing cut off, axe clean; a run's slip check by keyboard alone."""

from decimal import Decimal

import pytest
from django.db import connections
from django.urls import reverse
from playwright.sync_api import Browser, expect

from results.models import Analyser, AssessmentRound, ComparisonSet, Run
from results.services.look_back import look_back_open
from results.services.runs import run_close, run_open
from results.services.slips import slip_check
from results.services.watch import assessment_keep, comparison_enter
from screening.models import Lot
from staff import clock
from tests import cast
from tests import lab_bench as bench
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401 - fixtures
from tests.screening.intake.desk_browser import SCHEMES, signed_in_page
from tests.screening.intake.test_desk_look import DOUBLED, is_clean

pytestmark = pytest.mark.browser
PAIRS = "\n".join(f"S{n},{4 + 3 * n},{(4 + 3 * n) * 1.03:.1f}" for n in range(24))


def a_laboratory() -> tuple[Run, ComparisonSet, AssessmentRound, int]:
    """Controls out and in, readings at, over and under the cutoff, a slip, a comparison, an assessment, a look-back."""
    by, analyser = bench.technician(), bench.analyser()
    run_open(by=by, analyser=analyser, unit="ng/mL", readings=bench.controls(bench.OUT))
    run = run_open(
        by=by, analyser=analyser, unit="ng/mL", readings=bench.controls(), device_limit=Decimal(100)
    )
    samples = [bench.a_sample() for _ in range(5)]
    bench.load(
        run, list(zip([s.serial for s in samples], ("99.8", "400", "positive", ">1000", "63"), strict=True))
    )
    slip_check(by=by, run=run, text="2, 350, 450")
    run_close(by=by, run=run, readings=bench.controls())
    bench.an_open_run("N1")
    comparison = ComparisonSet(
        kind="analyser", known_analyser=analyser, new_analyser=Analyser.objects.get(code="Q2")
    )
    comparison_enter(by=by, comparison=comparison, text=PAIRS)
    row = AssessmentRound(
        analyser=analyser, scheme="Tarnuvek comparison scheme", number="round 2", due_on=clock.today(),
        value=Decimal("47.2"), assigned=Decimal(40), sd=Decimal(3), action="Looked into.",
    )  # fmt: skip
    assessment_keep(by=by, row=row)
    look_back = look_back_open(
        by=by, kind="kit_lot", ref=Lot.objects.get(code="KL001").pk, reason="Caps leak."
    )
    return run, comparison, row, look_back.pk


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_pages_of_the_laboratory_at_200_percent(browser: Browser, server: str, scheme: str) -> None:  # noqa: F811
    run, comparison, row, look_back = a_laboratory()
    ready = run.readings.order_by("pk").values_list("sample_id", flat=True)
    connections.close_all()
    page = signed_in_page(browser, server, cast.LABORATORY, scheme=scheme, size=DOUBLED)
    for address in (
        reverse("results:watch"), reverse("results:comparison", args=[comparison.pk]), reverse("results:comparison-new"),
        reverse("results:assessment", args=[row.pk]), reverse("results:charts"), reverse("results:month"),
        reverse("results:release"), *(reverse("results:release-one", args=[pk]) for pk in ready[:3]),
        reverse("results:open-day") + "?analyser=Q1", reverse("results:run", args=[run.pk]),
        reverse("results:slip", args=[run.pk]), reverse("results:controls"), reverse("results:enter", args=["kit-model"]),
        reverse("results:look-back", args=[look_back]),
    ):  # fmt: skip
        page.goto(f"{server}{address}")
        is_clean(page)


def test_check_samples_by_keyboard_alone(browser: Browser, server: str) -> None:  # noqa: F811
    run, *_rest = a_laboratory()
    connections.close_all()
    page = signed_in_page(browser, server, cast.LABORATORY)
    page.goto(f"{server}{reverse('results:slip', args=[run.pk])}")
    page.get_by_role("textbox", name="Check samples").focus()
    page.keyboard.type("2, 1, 2")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_text("No shift explains the check samples")).to_be_visible()
