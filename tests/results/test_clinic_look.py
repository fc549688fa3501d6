"""Report, histology, signature, after-calls, cancers and offers again in a real browser: 200 % zoom, light, dark, print, axe."""

from datetime import date, timedelta

import pytest
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import Browser, expect

from results.services import referrals as services
from results.services.cancers import cancer_report
from results.services.surveillance_take_up import surveillance_take_up_now
from staff import clock
from tests import cast
from tests.results import follow_up as f
from tests.results.test_calendar_look import pictured
from tests.results.test_earlier_amended import amend, earlier_and_open
from tests.results.test_follow_up_look import DOUBLED, is_clean
from tests.results.test_re_offers import refused_referral
from tests.results.test_report_findings import LARGE, SMALL, TUBULAR, examined, with_histology
from tests.results.test_surveillance_take_up import a_plan
from tests.screening.intake.conftest import browser, player, program, server  # noqa: F401
from tests.screening.intake.desk_browser import SCHEMES, complaints_of, signed_in_page

pytestmark = pytest.mark.browser


def a_clinic_at_work() -> dict[str, str]:
    """One person at each of the clinician's steps, on the day 92 days from now; the pages that show them."""
    report = f.a_referral("report_due", family_name="Reporting")
    histology = examined(SMALL, LARGE)
    sign = examined(SMALL, LARGE)
    with_histology(sign, TUBULAR, TUBULAR)
    refused_referral(family_name="Declining")
    earlier, amended = earlier_and_open()
    amend(earlier)
    done = f.a_referral("to_classify", family_name="Done")
    f.sign(done, finding="non_advanced", close=True)
    taken = surveillance_take_up_now(by=f.kaddrin(), plan=a_plan(clock.today() + timedelta(days=20)))
    cancer_report(
        by=f.liora(), person=done.person, diagnosed_on=clock.today(), source="regional cancer registry",
        document="CR-1", stage="II", words="",
    )  # fmt: skip
    closed = f.a_referral("to_assess", family_name="Before")
    services.referral_close(
        by=f.emrik(),
        referral=closed,
        reason="already_examined",
        document="EXT-1",
        examined_on=date(2025, 10, 1),
    )
    people = {
        "report": report, "histology": histology, "sign": sign, "amended": amended, "closed": done, "taken-up": taken,
        "closed-elsewhere": closed,
    }  # fmt: skip
    found = {name: reverse("results:referral", args=[one.pk]) for name, one in people.items()}
    return found | {
        name: reverse(f"results:{name}")
        for name in ("after-calls", "cancers", "re-offers", "surveillance", "queue")
    }


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_clinicians_pages_at_200_percent(
    browser: Browser,  # noqa: F811
    server: str,  # noqa: F811
    scheme: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pages = a_clinic_at_work()
    monkeypatch.setattr(settings, "FIXED_TODAY", (clock.today() + timedelta(days=93)).isoformat())
    page = signed_in_page(browser, server, cast.NURSE, scheme=scheme, size=DOUBLED)
    heard = complaints_of(page)
    for name, address in pages.items():
        page.goto(f"{server}{address}")
        assert heard == []
        is_clean(page)
        pictured(page, f"{name}-{scheme}")
        if scheme == "light":
            page.emulate_media(media="print")
            expect(page.locator("header.cover nav, .no-print").first).not_to_be_visible()
            pictured(page, f"{name}-print")
            page.emulate_media(media="screen")
