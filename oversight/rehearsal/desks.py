"""Plays the desks of a rehearsal side by side, each in a process of its own, day after day behind the one it waits for."""

import gc
import multiprocessing
import pickle
import time
import traceback
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import django
import numpy as np
from django.db import connection, connections

if TYPE_CHECKING:
    from oversight.rehearsal.crew import Stage

Tell = Callable[[str, float], None]
PAUSE = 0.02
"""Seconds between looks at the desk one waits for."""


def commits_hurried() -> None:
    """Let this connection's commits be written a moment later: a rehearsal that is cut off is played anew anyway."""
    with connection.cursor() as cursor:
        cursor.execute("SET synchronous_commit = off")


def collecting_seldom() -> None:
    """Collect cyclic garbage seldom: a desk makes millions of short-lived rows, nearly all freed without it."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(200_000, 20, 100)


@dataclass(frozen=True)
class Desk:
    """A desk plays a day when the desk it comes after has finished that day; `play` is made from the stage.

    A desk with `not_ahead_of` waits until that one has finished the day before yesterday: what the one leaves to the
    other is then taken up within a day or two, as it would be.
    """

    name: str
    after: str
    play: Callable[["Stage"], Callable[[date], None]]
    not_ahead_of: str = ""


class RehearsalFailedError(RuntimeError):
    """A desk stopped; carries what went wrong there."""


class SideBySide:
    """The desks of one rehearsal: the first is played in this process, the others in fresh ones, started at once so
    that they are ready when the stage is.

    Use as a context manager; leaving it ends whoever still plays.
    """

    def __init__(self, desks: Sequence[Desk]) -> None:
        here = multiprocessing.get_context("spawn")
        self._desks = tuple(desks)
        self._done = {desk.name: here.Value("i", 0) for desk in desks}
        self._answers: Any = here.Queue()
        self._stages: dict[str, Any] = {}
        self._workers: list[Any] = []
        for desk in self._desks[1:]:
            stage_for_it, self._stages[desk.name] = here.Pipe(duplex=False)
            facts = (
                pickle.dumps(desk),
                self._done,
                stage_for_it,
                str(connection.settings_dict["NAME"]),
                self._answers,
            )
            self._workers.append(here.Process(target=_work, args=facts, name=desk.name, daemon=True))

    def __enter__(self) -> "SideBySide":
        for worker in self._workers:
            worker.start()
        return self

    def __exit__(self, *trouble: object) -> None:
        for worker in self._workers:
            if worker.is_alive():
                worker.terminate()
            worker.join()

    def play(
        self,
        days: Sequence[date],
        *,
        stage: "Stage",
        tell: Tell,
        nights: Collection[date] = (),
        close: Callable[[date], None] = lambda _day: None,
    ) -> Iterator[dict[str, int]]:
        """Play all days at every desk; yields each desk's counts. A desk that fails stops the others.

        The order of a person's events is kept: kits go out before they come back, results come before their follow-up.
        On each of `nights` all desks finish that day, and it is closed before anybody begins the next: only then does the
        database hold what it would have held that evening.
        """
        seeds = [int(seed) for seed in stage.rng.integers(2**31, size=len(self._desks))]
        kept = pickle.dumps((stage, list(days)))
        for (_name, pipe), seed in zip(self._stages.items(), seeds[1:], strict=True):
            pipe.send((seed, kept))
        first = self._desks[0]
        play = first.play(stage)
        collected: list[dict[str, int]] = []
        for index, day in enumerate(days, start=1):
            play(day)
            self._done[first.name].value = index
            _progress(days, self._done, self._desks, tell)
            collected += _collect(self._answers, self._workers, wait=0)
            if day in nights:
                while any(done.value < index for done in self._done.values()):
                    collected += _collect(self._answers, self._workers, wait=PAUSE)
                    _progress(days, self._done, self._desks, tell)
                close(day)
        while len(collected) < len(self._workers):
            _progress(days, self._done, self._desks, tell)
            collected += _collect(self._answers, self._workers, wait=0.2)
        yield from collected


def _collect(answers: Any, workers: Sequence[Any], *, wait: float) -> list[dict[str, int]]:
    time.sleep(wait)
    got = []
    while not answers.empty():
        name, counts, trouble = answers.get()
        if trouble:
            raise RehearsalFailedError(f"{name}: {trouble}")
        got.append(counts)
    dead = [w.name for w in workers if not w.is_alive() and w.exitcode != 0]
    if dead and not got:
        raise RehearsalFailedError(f"{', '.join(dead)} was stopped")
    return got


def _progress(days: Sequence[date], done: dict[str, Any], desks: Sequence[Desk], tell: Tell) -> None:
    at = min(done[desk.name].value for desk in desks)
    ahead = ", ".join(f"{desk.name} {days[max(done[desk.name].value - 1, 0)]:%d %b %Y}" for desk in desks)
    tell(ahead, 0.25 + 0.75 * at / max(len(days), 1))


def _work(kept_desk: bytes, done: dict[str, Any], stage_for_it: Any, database: str, answers: Any) -> None:
    """What a fresh process does: set the project up, wait for the stage, play its desk."""
    django.setup()
    connection.settings_dict["NAME"] = database
    desk: Desk = pickle.loads(kept_desk)  # noqa: S301 - our own bytes; read only now, because the desk's own module needs the models
    try:
        seed, kept = stage_for_it.recv()
        stage, days = pickle.loads(kept)  # noqa: S301 - our own bytes
        commits_hurried()
        collecting_seldom()
        stage.rng, stage.counts = np.random.default_rng(seed), {}
        play = desk.play(stage)
        for index, day in enumerate(days, start=1):
            while done[desk.after].value < index or (
                desk.not_ahead_of and done[desk.not_ahead_of].value < index - 2
            ):
                time.sleep(PAUSE)
            play(day)
            done[desk.name].value = index
        answers.put((desk.name, stage.counts, ""))
    except EOFError:
        answers.put((desk.name, {}, "the stage was never set"))
    except Exception:  # noqa: BLE001 - whatever stopped the desk is told to the one who started it
        answers.put((desk.name, {}, traceback.format_exc()))
    finally:
        connections.close_all()
