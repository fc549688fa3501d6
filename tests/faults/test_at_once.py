"""The same step done by several at once: nothing twice, nothing lost, nobody waits for ever."""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from django.db import connection

from outreach.models import Letter, LetterTodo, PrintedLetter, PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_make
from results.models import Sample, SampleTodo
from results.services.samples import samples_take_in
from screening.models import Round
from screening.services.rounds import rounds_close_unreturned
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.ledger.proof import projection_differences
from staff.ledger.registry import walls
from staff.models import User
from tests import cast, factories
from tests.conftest import NOON
from tests.outreach.makers import a_patient

TIMES = [pytest.param(1, 12, id="short"), pytest.param(25, 60, id="long", marks=pytest.mark.campaign)]
pytestmark = [pytest.mark.usefixtures("own_region"), pytest.mark.timeout(1800)]


def _all_at_once(work: Callable[[], object], count: int = 3) -> list[object]:
    """What several threads got that did the same from the same moment on; any trouble is raised."""
    gate = threading.Barrier(count)

    def one(_nth: int) -> object:
        try:
            with clock.at(NOON):
                connection.ensure_connection()
                gate.wait(20)
                return work()
        finally:
            connection.close()

    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(one, range(count)))


def _office() -> User:
    return cast.member(cast.MANAGER)


def _books_agree() -> bool:
    return all(projection_differences(ledger)[1] == 0 for ledger in walls)


@pytest.mark.parametrize(("rounds", "letters"), TIMES)
def test_letters_planned_frozen_and_printed_by_three(rounds: int, letters: int) -> None:
    made = 0
    for _ in range(rounds):
        for _ in range(letters):
            factories.a_round(a_patient(), sent_days_ago=1)
        made += letters
        _all_at_once(lambda: letters_plan(by=_office(), chunk=5))
        assert not LetterTodo.objects.exists()
        assert Letter.objects.filter(kind="invitation").count() == made
        frozen = _all_at_once(lambda: letters_freeze(by=_office(), limit=1000))
        letters_freeze(by=_office(), limit=1000)
        assert sum(frozen) <= letters
        assert Letter.objects.filter(state="frozen").count() == letters
        runs = _all_at_once(lambda: print_run_make(by=_office(), limit=5))
        while print_run_make(by=_office(), limit=5).status != PrintRun.Status.EMPTY:
            continue
        assert len({run.number for run in runs if run.pk}) == sum(1 for run in runs if run.pk)
        assert PrintedLetter.objects.count() == made
        assert not Letter.objects.exclude(state="printed").exists()
    assert _books_agree()


@pytest.mark.parametrize(("rounds", "samples"), TIMES)
def test_samples_taken_in_by_three(rounds: int, samples: int) -> None:
    for nth in range(1, rounds + 1):
        for _ in range(samples):
            factories.a_ready_return()
        came = _all_at_once(lambda: samples_take_in(by=cast.member(cast.LABORATORY), limit=4))
        while samples_take_in(by=cast.member(cast.LABORATORY), limit=4):
            continue
        assert sum(came) <= samples
        assert Sample.objects.filter(state="ready").count() == nth * samples
        assert not SampleTodo.objects.exists()
    assert _books_agree()


@pytest.mark.parametrize(("rounds", "people"), TIMES)
def test_rounds_closed_by_three_while_their_kits_come_back(rounds: int, people: int) -> None:
    """A kit that comes back and a closing day that comes round at the same moment: one of them wins, cleanly."""
    for _ in range(rounds):
        old = [factories.a_round(sent_days_ago=400) for _ in range(people)]
        ids = [round_.pk for round_ in old]
        back = iter(old)
        lock = threading.Lock()

        def work(back: object = back, lock: threading.Lock = lock) -> int:
            closed = rounds_close_unreturned(by=_office())
            with lock:
                one = next(back)
            if Round.objects.get(pk=one.pk).state == "closed":
                with acting(_office()) as frame:
                    make_move(one, "late_kit", due_on=frame.today + timedelta(days=7), pool="laboratory")
            return closed

        closed = _all_at_once(work)
        assert sum(closed) == people
        events = Round.objects.filter(pk__in=ids, moves__event="close").values_list("pk", flat=True)
        assert sorted(events) == sorted(ids)
    assert _books_agree()


def _in_an_open_transaction(work: Callable[[], object], commit: threading.Event) -> threading.Thread:
    """Do some work in another thread and hold its transaction open until told; returns when the work is done."""
    done = threading.Event()

    def body() -> None:
        try:
            with clock.at(NOON), acting(_office()):
                work()
                done.set()
                commit.wait(20)
        finally:
            done.set()
            connection.close()

    thread = threading.Thread(target=body)
    thread.start()
    assert done.wait(20)
    return thread


def test_a_todo_committed_late_is_not_lost_to_an_earlier_sweep() -> None:
    """Two transactions write to-do rows; the one that began first commits last, after a sweep passed."""
    early, late = threading.Event(), _Made()
    thread = _in_an_open_transaction(late.make, early)
    other = factories.a_ready_return()
    assert samples_take_in(by=cast.member(cast.LABORATORY)) == 1
    letters_plan(by=_office())
    assert Sample.objects.get().return_of_id == other.pk
    assert not Letter.objects.filter(round_id=late.round.pk).exists()
    early.set()
    thread.join(20)
    assert samples_take_in(by=cast.member(cast.LABORATORY)) == 1
    letters_plan(by=_office())
    assert Letter.objects.filter(round_id=late.round.pk).exists()
    assert Sample.objects.count() == 2
    assert not SampleTodo.objects.exists()
    assert not LetterTodo.objects.exists()


class _Made:
    """What the late transaction made."""

    round: Round

    def make(self) -> None:
        self.round = factories.a_round(a_patient(), sent_days_ago=1)
        factories.a_ready_return()
