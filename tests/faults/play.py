"""A play of random steps through the services: what happened, what was refused, and on which day it is now."""

import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import ClassVar

from outreach.models import PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make
from results.models import Referral, Result, Run, Sample
from results.services.authorise import result_release_at_or_above, results_release_below
from results.services.authorise_amend import result_amend, result_withdraw
from results.services.readings import readings_load
from results.services.runs import run_close, run_open, run_resolve
from results.services.samples import sample_spoil, samples_take_in
from screening.models import Batch, Kit, Lot, Person, Return, Round
from screening.services.batches import (
    batch_dispatch,
    batch_open,
    kit_reported_lost,
    kit_undelivered,
    kits_stock,
    replacements_send,
)
from screening.services.due import due_dates_refresh
from screening.services.intake import delivery_record, return_solve, returns_log_many
from screening.services.intake_cards import Mark
from screening.services.intake_solve import Answer
from screening.services.rounds import rounds_close, rounds_close_unreturned
from staff import clock
from staff.errors import RoundbookError
from staff.models import Site, User
from tests import cast, factories
from tests import lab_bench as bench
from tests.conftest import NOON
from tests.faults.follow_up_steps import FollowUpSteps


class Play(FollowUpSteps):
    """Each step is a method whose name begins with `do_`; `WEIGHTS` says how much oftener than once it comes."""

    NOT_PLAYED: ClassVar[frozenset[str]] = frozenset({"I3", "I10", "I25"})
    """Checks that idle hands break: nobody in the play is bound to ring, to print or to settle a line in time."""
    MUST_HAPPEN: ClassVar[set[str]] = {
        "open_batch", "dispatch", "post", "solve", "readings", "close_run", "release_below", "release_high", "amend",
        "withdraw", "contact", "assess", "book", "attend", "examine", "sign", "close_referral", "close_rounds",
        "close_unreturned", "lost", "replace", "plan", "freeze", "print", "hand_over",
    }  # fmt: skip
    WEIGHTS: ClassVar[dict[str, int]] = {
        "person": 3, "open_batch": 3, "dispatch": 3, "post": 8, "open_run": 4, "readings": 6, "close_run": 5,
        "release_below": 3, "release_high": 5, "contact": 4, "assess": 3, "book": 3,
        "attend": 4, "examine": 4, "sign": 4, "close_referral": 3, "freeze": 2, "print": 3, "hand_over": 4, "days": 2,
    }  # fmt: skip

    USUAL: ClassVar[tuple[str, ...]] = (
        "dispatch", "days", "post", "post", "open_run", "readings", "close_run", "release_high", "release_high",
    )  # fmt: skip
    FOLLOWED: ClassVar[tuple[str, ...]] = (
        "contact",
        "contact",
        "assess",
        "book",
        "attend",
        "plan",
        "freeze",
        "print",
    )

    WAITS_FOR: ClassVar[dict[str, tuple[str, ...]]] = {
        "to_reach": ("contact",), "undecided": ("contact",), "to_assess": ("assess",), "to_book": ("book",),
        "booked": ("attend", "examine"), "report_due": ("examine",), "histology_due": ("histology",),
        "to_classify": ("sign", "close_referral"), "paused_until": ("resume",),
    }  # fmt: skip

    def __init__(self, rng: random.Random) -> None:
        self.rng, self.moment = rng, NOON
        self.story: list[str] = []
        self.done: set[str] = set()
        self.refused: set[str] = set()
        self.numbers = iter(range(1, 10_000))
        names = [name.removeprefix("do_") for name in dir(self) if name.startswith("do_")]
        self.steps = [name for name in names for _ in range(self.WEIGHTS.get(name, 1))]

    @contextmanager
    def now(self) -> Iterator[datetime]:
        """The clock at the play's own moment."""
        with clock.at(self.moment) as moment:
            yield moment

    def go(self, steps: int) -> None:
        """Begin with people and kits, often with kits measured already, then play so many steps."""
        with self.now():
            self.do_stock()
            for _ in range(6):
                self.do_person()
            batch_open(by=self._by(cast.MANAGER), size=6)
        if self.rng.random() < 0.8:
            for name in (*self.USUAL, *(self.FOLLOWED if self.rng.random() < 0.5 else ())):
                self._one(name)
        for _ in range(steps):
            for _ in range(6):
                if self._one(self._next_step()):
                    break

    def _next_step(self) -> str:
        """Any step; now and then the one that somebody's referral waits for, so that some are followed to their end."""
        if self.rng.random() < 0.3:
            states = (
                Referral.objects.filter(state__in=self.WAITS_FOR)
                .order_by("pk")
                .values_list("state", flat=True)
            )
            if states:
                return self.rng.choice(self.WAITS_FOR[self.rng.choice(list(states))])
        return self.rng.choice(self.steps)

    def sweep(self) -> None:
        """What beat rings for all the time."""
        with self.now():
            samples_take_in(by=User.objects.system())
            letters_plan(by=User.objects.system())

    def _one(self, name: str) -> bool:
        """Play one step; False when there was nothing to play it with."""
        step: Callable[[], object] = getattr(self, f"do_{name}")
        self.moment += timedelta(minutes=self.rng.randint(1, 30))
        with self.now():
            try:
                did = step()
            except RoundbookError as refusal:
                self.refused.add(refusal.code)
                self.story.append(f"{name} refused: {refusal.code}")
                return refusal.code != "nothing_there"
        self.story.append(name)
        if did:
            self.done.add(name)
        return True

    # --- the office -----------------------------------------------------------------------------------------

    def do_days(self) -> bool:
        self.moment += timedelta(days=self.rng.choice([1, 1, 2, 3, 7, 14, 45, 100]))
        return True

    def do_person(self) -> bool:
        return bool(factories.a_person(sex=self.rng.choice(["female", "male"])))

    def do_stock(self) -> int:
        first = 1 + 20 * next(self.numbers)
        return kits_stock(
            by=self._by(cast.MANAGER), lot=Lot.objects.get(code="KL002"), first_number=first, count=20
        )

    def do_open_batch(self) -> bool:
        return bool(batch_open(by=self._by(cast.MANAGER), size=self.rng.randint(1, 5)))

    def do_dispatch(self) -> int:
        return batch_dispatch(by=self._by(cast.MANAGER), batch=self._mostly(Batch, dispatched_on=None))

    def do_lost(self) -> bool:
        return bool(
            kit_reported_lost(by=self._by(cast.PHONE_DESK), kit=self._mostly(Kit, state="dispatched"))
        )

    def do_undelivered(self) -> bool:
        return bool(kit_undelivered(by=self._by(cast.PHONE_DESK), kit=self._mostly(Kit, state="dispatched")))

    def do_replace(self) -> int:
        named = [self._some(Round).pk] if self.rng.random() < 0.4 else None
        return replacements_send(by=self._by(cast.MANAGER), round_ids=named)

    def do_close_rounds(self) -> int:
        reason = self.rng.choice(["declined", "postponed", "moved_away", "no_usable_sample", "below"])
        return rounds_close(by=self._by(cast.PHONE_DESK), round_ids=[self._some(Round).pk], reason=reason)

    def do_close_unreturned(self) -> int:
        return rounds_close_unreturned(by=User.objects.system())

    def do_died(self) -> int:
        person = self._some(Person)
        Person.objects.filter(pk=person.pk).update(deceased_on=clock.today(), next_due_on=None)
        due_dates_refresh(by=self._by(cast.ADMINISTRATOR), person_ids=[person.pk])
        return 1

    # --- the post -------------------------------------------------------------------------------------------

    def do_post(self) -> int:
        by, today = self._by(cast.FRONT_DESK), clock.today()
        site = Site.objects.get(code="QHC")
        sack = delivery_record(
            by=by, site=site, arrived_on=today - timedelta(days=self.rng.choice([0, 0, 1]))
        )
        rows = []
        for _ in range(self.rng.randint(1, 4)):
            kit = self._mostly(Kit, state="dispatched")
            day = today - timedelta(days=self.rng.choice([1, 2, 3, 5, 12, 25]))
            keyed = self.rng.choice([str(day.day), str(day.day), str(day.day), ".", "", "99"])
            rows.append((kit.serial, keyed, self.rng.choice([*[""] * 12, *[mark.value for mark in Mark]])))
        return returns_log_many(by=by, delivery=sack, rows=rows).logged

    def do_solve(self) -> bool:
        back = self._mostly(Return, state="set_aside")
        day = str((clock.today() - timedelta(days=2)).day)
        answer = self.rng.choice(list(Answer))
        return bool(
            return_solve(by=self._by(cast.FRONT_DESK), return_=back, answer=answer, day=day, note="asked")
        )

    # --- the bench ------------------------------------------------------------------------------------------

    def do_take_in(self) -> int:
        return samples_take_in(by=self._by(cast.LABORATORY))

    def do_open_run(self) -> bool:
        values = bench.GOOD if self.rng.random() < 0.9 else bench.OUT
        run = run_open(
            by=bench.technician(), analyser=bench.analyser(), unit=self.rng.choice(["ng/mL"] * 9 + ["ug/g"]),
            readings=bench.controls(values),
        )  # fmt: skip
        return run.status == "open"

    def do_readings(self) -> int:
        samples_take_in(by=bench.technician())
        run, rows = self._mostly(Run, status="open"), []
        chosen = Sample.objects.filter(state__in=["ready", "repeat"]).order_by("pk")
        for sample in [*chosen, *Sample.objects.order_by("?")[:1]] if self.rng.random() < 0.1 else chosen:
            value = self.rng.choice(["5", "21", "99", "100", "101", "640", "<20", ">1000", "", "NA", "93.5"])
            rows.append((sample.serial, value, "ng/mL", self.rng.choice(["", "", "", "", "CLOT"])))
        first = 1 + sum(run.files.values_list("lines", flat=True))
        content = bench.a_file(rows, first=first)
        return readings_load(by=bench.technician(), run=run, name="day.csv", content=content).taken

    def do_close_run(self) -> bool:
        values = bench.GOOD if self.rng.random() < 0.85 else bench.OUT
        run = self._mostly(Run, status="open")
        return (
            run_close(by=bench.technician(), run=run, readings=bench.controls(values)).status == "in_control"
        )

    def do_resolve(self) -> bool:
        run, retest = self._mostly(Run, status="held"), self.rng.random() < 0.5
        return bool(
            run_resolve(
                by=bench.technician(), run=run, resolution="looked at", second=bench.lead(), retest=retest
            )
        )

    def do_spoil(self) -> bool:
        sample = self._mostly(Sample, state="ready")
        return bool(sample_spoil(by=bench.technician(), sample=sample, words="dropped"))

    def do_release_below(self) -> int:
        return results_release_below(by=bench.lead())

    def do_release_high(self) -> bool:
        ready = list(Sample.objects.filter(state="ready_to_authorise").order_by("pk")) or [self._some(Sample)]
        self.rng.shuffle(ready)
        for sample in ready[1:]:
            try:
                return bool(result_release_at_or_above(by=bench.lead(), sample=sample))
            except RoundbookError as refusal:
                self.refused.add(refusal.code)
        return bool(
            result_release_at_or_above(by=bench.lead(), sample=ready[0], reason="decided by a person")
        )

    def do_amend(self) -> bool:
        result = self._mostly(Result, is_current=True)
        return bool(result_amend(by=bench.lead(), result=result, reason="units", second=bench.technician()))

    def do_withdraw(self) -> bool:
        result = self._mostly(Result, is_current=True)
        return bool(
            result_withdraw(by=bench.lead(), result=result, reason="mixed up", second=bench.technician())
        )

    # --- letters --------------------------------------------------------------------------------------------

    def do_plan(self) -> int:
        return sum(letters_plan(by=User.objects.system()).values())

    def do_freeze(self) -> int:
        return letters_freeze(by=User.objects.system(), limit=100)

    def do_print(self) -> bool:
        return print_run_make(by=self._by(cast.MANAGER), limit=self.rng.randint(1, 10)).pk is not None

    def do_hand_over(self) -> int:
        run = self._mostly(PrintRun, status="collecting")
        return print_run_hand_over(
            by=self._by(cast.MANAGER), print_run=run, without_document=self.rng.random() < 0.9
        )
