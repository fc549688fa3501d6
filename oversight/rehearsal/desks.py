"""Plays the desks of a rehearsal side by side, each in a process of its own, day after day behind the one it waits for."""

import multiprocessing
import pickle
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
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


def play_side_by_side(
    desks: Sequence[Desk], days: Sequence[date], *, stage: "Stage", tell: Tell
) -> Iterator[dict[str, int]]:
    """Play all days at every desk; yields each desk's counts. A desk that fails stops the others.

    The order of a person's events is kept: kits go out before they come back, results come before their follow-up.
    The first desk is played in this process, the others in fresh ones.
    """
    here = multiprocessing.get_context("spawn")
    done = {desk.name: here.Value("i", 0) for desk in desks}
    answers: Any = here.Queue()
    kept = pickle.dumps((stage, tuple(desks)))
    seeds = [int(seed) for seed in stage.rng.integers(2**31, size=len(desks))]
    workers = [
        here.Process(
            target=_work,
            args=(desk.name, seed, list(days), done, kept, str(connection.settings_dict["NAME"]), answers),
            name=desk.name,
            daemon=True,
        )
        for desk, seed in zip(desks[1:], seeds[1:], strict=True)
    ]
    for worker in workers:
        worker.start()
    collected: list[dict[str, int]] = []
    try:
        play = desks[0].play(stage)
        for index, day in enumerate(days, start=1):
            play(day)
            done[desks[0].name].value = index
            _progress(days, done, desks, tell)
            collected += _collect(answers, workers, wait=0)
        while len(collected) < len(workers):
            _progress(days, done, desks, tell)
            collected += _collect(answers, workers, wait=0.2)
    finally:
        for worker in workers:
            if worker.is_alive():
                worker.terminate()
            worker.join()
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


def _work(
    name: str, seed: int, days: list[date], done: dict[str, Any], kept: bytes, database: str, answers: Any
) -> None:
    """What a fresh process does: set the project up, take the stage over, play its desk."""
    django.setup()
    connection.settings_dict["NAME"] = database
    try:
        commits_hurried()
        stage, desks = pickle.loads(kept)  # noqa: S301 - our own bytes, handed over by the process that started us
        desk = next(one for one in desks if one.name == name)
        stage.rng, stage.counts = np.random.default_rng(seed), {}
        play = desk.play(stage)
        for index, day in enumerate(days, start=1):
            while done[desk.after].value < index or (
                desk.not_ahead_of and done[desk.not_ahead_of].value < index - 2
            ):
                time.sleep(PAUSE)
            play(day)
            done[name].value = index
        answers.put((name, stage.counts, ""))
    except Exception:  # noqa: BLE001 - whatever stopped the desk is told to the one who started it
        answers.put((name, {}, traceback.format_exc()))
    finally:
        connections.close_all()
