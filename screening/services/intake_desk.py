"""A session as one scan finds it under lock, and the storing of that scan with everything it changes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from typing import Any

from screening.models import SessionMode
from screening.services.intake_answers import BENCH_SENTENCES, Counts, Earlier, Pending, ScanAnswer
from screening.services.intake_cards import Mark, Utterance, Words
from screening.services.intake_effects import Effects, KitFacts
from screening.services.intake_places import Place, place_next
from screening.services.intake_reopening import reopened_dates_refresh
from screening.services.intake_sql import scan_write
from staff.acting import Acting
from staff.quick import ends_here, nothing_more


@dataclass(frozen=True, slots=True)
class Scanned:
    """What came in: the text as heard, what it means, the kit and day it is about, and how it travelled.

    `window` names the browser window, so that a retry is told from another window's scan; `offline` says that it
    waited for the network and nobody compared the name; `claimed` is who scanned, by that window (R16).
    """

    session_id: int
    sequence: int
    raw: str
    said: Utterance
    serial: str = ""
    keyed: str = ""
    marks: frozenset[Mark] = frozenset()
    typed: bool = False
    window: str = ""
    offline: bool = False
    claimed: int | None = None
    pass_: Pass | None = None


@dataclass(frozen=True, slots=True)
class Pass:
    """The key of a login session that nobody has looked at yet, and the check of what it holds; False undoes the scan.

    The scan's first statement reads it, so that being let in takes no statement of its own.
    """

    key: str
    holds: Callable[[Mapping[str, Any]], bool]


@dataclass(slots=True)
class Bench:
    """The session as read under lock, and the frame in which it is written."""

    frame: Acting
    heard: Scanned
    session_id: int
    mode: str
    delivery_id: int | None
    site_id: int | None
    arrived_on: date
    closed_days: list[date]
    counts: Counts
    earlier: tuple[Earlier, ...]
    trays: Mapping[str, Mapping[str, Any]]
    pending: Pending | None
    last_day: date | None
    alarm_sequence: int | None
    kit: KitFacts | None
    after: ExitStack
    """Left after the commit."""

    @property
    def practice(self) -> bool:
        """Whether nothing but the scans is kept."""
        return self.mode == SessionMode.PRACTICE

    def place(self, kind: str, kit: KitFacts) -> Place | None:
        """The next free place of this kind; none at a desk without trays (R15)."""
        if self.practice:
            so_far = self.counts.accepted if kind == "rack" else self.counts.set_aside
            return Place(kind, "P", so_far + 1)
        if kit.one_desk and kind != "owed":
            return None
        return place_next(
            kind, session=self.session_id, site=self.site_id, trays=self.trays, now=self.frame.now
        )

    def answer(
        self,
        outcome: str,
        code: str,
        *,
        sentence: Words = "",
        kit: KitFacts | None = None,
        effects: Effects | None = None,
        alarm: int | bool | None = False,
        about: int | None = None,
        counts: Counts | None = None,
        paused: bool = False,
        last: bool = False,
        **more: Any,
    ) -> ScanAnswer:
        """Store the scan with everything it changes, and answer; `about` names a kit whose facts are not read.

        `counts` are the session's counts after it, where it is not simply one scan more. With `last` nothing is asked
        of the database after this, so the transaction ends with it.
        """
        kit_id = (kit.kit_id or None) if kit else about
        last = last and ends_here() and not (effects and (effects.void_kit or effects.reopens))
        after = counts or self.counts.after(outcome, kit_id, self.heard.sequence)
        scan_write(
            effects=effects, last=last, alarm=alarm, session=self.session_id, delivery=self.delivery_id,
            sequence=self.heard.sequence, raw=self.heard.raw[:200], kit=kit_id, outcome=outcome, code=code,
            typed=self.heard.typed, window=self.heard.window[:12], offline=self.heard.offline,
            claimed=self.heard.claimed, now=self.frame.now, by=self.frame.by.pk,
            accepted=after.accepted - self.counts.accepted, set_aside=after.set_aside - self.counts.set_aside,
            not_ours=after.not_ours - self.counts.not_ours, paused=self.frame.now if paused else None,
        )  # fmt: skip
        if last:
            self.after.enter_context(nothing_more())
        if effects and effects.reopens:
            reopened_dates_refresh(by=self.frame.by, many=[effects])
        who: dict[str, Any] = (
            {"serial": kit.serial, "name": kit.name, "birth_year": kit.birth_year} if kit else {}
        )
        this = Earlier(self.heard.sequence, self.heard.raw, outcome, code, self.frame.now, kit_id, **who)
        return ScanAnswer(
            outcome, code, sentence or BENCH_SENTENCES.get(code, ""), self.heard.sequence, counts=after,
            earlier=(this, *self.earlier), **(who | more),
        )  # fmt: skip
