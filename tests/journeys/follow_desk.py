"""A coordinator's desk in a real browser for the stories of follow-up: one page after another, day after day."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import Browser, Locator, Page, expect

from results.assessment_rules import QUESTIONS
from results.models import Referral
from tests import cast
from tests.screening.intake.desk_browser import complaints_of, sign_in

TODAY = date(2026, 6, 17)


class FollowDesk:
    """Somebody of the cast who works on referrals; no complaint of the console is let by."""

    def __init__(self, browser: Browser, server: str, monkeypatch: pytest.MonkeyPatch) -> None:
        self.browser, self.server, self.patch = browser, server, monkeypatch
        self.day, self.who = TODAY, cast.NURSE
        self.page: Page = self._sit_down()

    def _sit_down(self) -> Page:
        context = self.browser.new_context(viewport={"width": 1280, "height": 900})
        context.set_default_timeout(20_000)
        sign_in(context, self.server, self.who)
        page = context.new_page()
        self.heard = complaints_of(page)
        return page

    def quiet(self) -> None:
        """Nothing was complained of in the console but a form that came back with what is missing."""
        assert [one for one in self.heard if "status of 4" not in one] == []

    def as_(self, who: str) -> "FollowDesk":
        """Another member of the cast sits down at this desk."""
        self.quiet()
        if who != self.who:
            self.page.context.close()
            self.who = who
            self.page = self._sit_down()
        return self

    def on(self, day: date) -> "FollowDesk":
        """It is another day, and everybody signs in anew."""
        self.quiet()
        self.day = day
        self.patch.setattr(settings, "FIXED_TODAY", day.isoformat())
        self.page.context.close()
        self.page = self._sit_down()
        return self

    def after(self, days: int) -> "FollowDesk":
        """So many days later, or the Monday after a weekend."""
        day = self.day + timedelta(days=days)
        return self.on(day + timedelta(days={5: 2, 6: 1}.get(day.weekday(), 0)))

    def open(self, referral: Referral) -> "FollowDesk":
        """The page of a referral."""
        self.page.goto(f"{self.server}{reverse('results:referral', args=[referral.pk])}")
        return self

    def go(self, name: str, query: str = "") -> "FollowDesk":
        """A page of follow-up by its name."""
        self.page.goto(f"{self.server}{reverse(f'results:{name}')}{query}")
        return self

    def says(self, words: str) -> "FollowDesk":
        """The page says this."""
        expect(self.page.locator("main")).to_contain_text(words)
        return self

    def says_not(self, words: str) -> "FollowDesk":
        """The page does not say this."""
        expect(self.page.locator("main")).not_to_contain_text(words)
        return self

    def do(self, slug: str, press: str = "", **typed: Any) -> "FollowDesk":
        """Fill the form of an act and send it, by the button of these words where it has several."""
        section = self.page.locator(f"#do-{slug}")
        if section.evaluate("e => e.tagName === 'DETAILS' && !e.open"):
            section.locator("summary").first.click()
        for name, value in typed.items():
            self._type(section, f"{slug}-{name}", value)
        button = (
            section.get_by_role("button", name=press)
            if press
            else section.locator("button[type=submit]:not([formtarget])").last
        )
        with self.page.expect_navigation(wait_until="load"):
            button.first.click()
        return self

    def _type(self, section: Locator, name: str, value: Any) -> None:
        field = section.locator(f"[name='{name}']")
        kind = field.first.evaluate("e => e.tagName === 'SELECT' ? 'select' : e.type")
        if kind == "radio":
            section.locator(f"[name='{name}'][value='{value}']").check()
        elif kind == "checkbox":
            field.set_checked(bool(value))
        elif kind == "select":
            field.select_option(str(value))
        else:
            field.fill(str(value))

    def assess(self, *, outcome: str = "fit", preparation: str = "macrogol", **unlike: str) -> "FollowDesk":
        """Every question answered as expected, but for these."""
        calm = {key: "yes" if question.expected else "no" for key, question in QUESTIONS.items()}
        return self.do("assess", **calm | unlike, preparation=preparation, outcome=outcome)

    def report(self, referral: Referral, **unlike: Any) -> "FollowDesk":
        """A report of today by two identifiers: complete, adequate, nothing found, but for these."""
        person = referral.person
        given = {
            "number_on_report": person.identifiers.get().value, "birth_on_report": person.birth_date.isoformat(),
            "day": self.day.isoformat(), "complete": "yes", "prep_adequate": "yes", "specimens": 0, "report_document": "REP-1",
        } | unlike  # fmt: skip
        lesions = given.pop("lesions", [])
        if not lesions:
            given.setdefault("finding", "nothing")
        section = self.page.locator("#do-report")
        for n, lesion in enumerate(lesions):
            if not section.locator(f"[name='report-lesions-{n}-segment']").count():
                section.get_by_role("button", name="Another lesion").click()
            for name, value in lesion.items():
                self._type(section, f"report-lesions-{n}-{name}", value)
        return self.do("report", **given)

    def is_at(self, referral: Referral, state: str) -> "FollowDesk":
        """Where the referral stands by the database."""
        referral.refresh_from_db()
        assert referral.state == state
        return self
