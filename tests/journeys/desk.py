"""People at their desks: a signed-in browser page for each of the cast, and what they do most."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from oversight.rehearsal.setting import DEMO_PASSWORD
from tests.journeys.stack import Stack


class Desk:
    """One member of the cast at the browser; console errors are collected and may not happen."""

    def __init__(self, browser: Any, stack: Stack, username: str) -> None:
        self.context = browser.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True)
        self.page = self.context.new_page()
        self.page.set_default_timeout(20_000)
        self.complaints: list[str] = []
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type == "error" else None)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.stack = stack
        self.go("/sign-in/")
        self.page.fill("input[name=username]", username)
        self.page.fill("input[name=password]", DEMO_PASSWORD)
        self.page.keyboard.press("Enter")
        self.page.wait_for_selector("text=Sign out")

    def go(self, path: str) -> None:
        """Open an address."""
        self.page.goto(self.stack.address + path)

    def press(self, words: str) -> None:
        """Press the button with these words."""
        self.page.get_by_role("button", name=words).first.click()
        self.page.wait_for_load_state("load")

    def follow(self, words: str) -> None:
        """Follow the link with these words."""
        self.page.locator("main").get_by_role("link", name=words).first.click()
        self.page.wait_for_load_state("load")

    def agree(self, summary: str, words: str = "") -> None:
        """Open a button that asks first, and say yes with the button of these words (its own when empty)."""
        ask = self.page.locator("details.ask", has=self.page.locator("summary", has_text=summary)).first
        ask.locator("summary").click()
        ask.get_by_role("button", name=words or summary).click()
        self.page.wait_for_load_state("load")

    def says(self, words: str) -> None:
        """The page says this."""
        self.page.locator("main", has_text=words).wait_for()

    def download(self, selector: str) -> bytes:
        """What a link downloads."""
        href = self.page.locator(selector).first.get_attribute("href")
        answer = self.context.request.get(self.stack.address + str(href))
        assert answer.status == 200, answer.text()[:300]
        return bytes(answer.body())

    def reload_until(self, words: str, tries: int = 60) -> None:
        """Reload until the page says this (the worker is at work)."""
        for _ in range(tries):
            if self.page.locator("main", has_text=words).count():
                return
            self.page.wait_for_timeout(1_000)
            self.page.reload()
        raise AssertionError(f"{words!r} did not come: {self.page.locator('main').inner_text()[:1500]}")


@contextmanager
def at_desk(browser: Any, stack: Stack, username: str) -> Iterator[Desk]:
    """A desk that is left tidy: no complaint in the console."""
    desk = Desk(browser, stack, username)
    try:
        yield desk
        assert desk.complaints == []
    except Exception:
        desk.page.screenshot(path=str(stack.logs / f"{username}.png"), full_page=True)
        print(f"picture: {stack.logs / f'{username}.png'}")  # noqa: T201 - says where the picture of the failure is
        raise
    finally:
        desk.context.close()
