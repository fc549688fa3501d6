"""Work broken off in the middle: all or nothing, and done again it ends exactly as if nothing had happened."""

import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from django.db import connections

from outreach.models import PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make
from outreach.services.rendering import print_run_render
from oversight.rehearsal.setting import region_lay_down
from results.models import Result, Run, Sample
from results.services.authorise import results_release_below
from results.services.readings import readings_load
from screening.models import Batch, Lot, Person, RegisterLoad, Return
from screening.services.batches import batch_dispatch, batch_open, kits_stock
from screening.services.register import register_apply, register_stage
from staff import clock
from staff.ledger.proof import projection_differences
from staff.ledger.registry import walls
from staff.models import User
from tests import cast, factories
from tests import lab_bench as bench
from tests.conftest import FIRST_DAY, NOON, clone_database, drop_database, use_database
from tests.faults.books import Attempt, Owner, copied, database_in_use
from tests.outreach.makers import a_patient

FEED = Path(__file__).resolve().parents[2] / "fixtures" / "register_500.csv"
PEOPLE = 60
pytestmark = pytest.mark.xdist_group("killed")


def _office() -> User:
    return cast.member(cast.MANAGER)


def _prepare() -> None:
    """One region in which each of the steps below is the next thing to do."""
    region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")
    for _ in range(8):
        factories.a_round(a_patient(), sent_days_ago=1)
    letters_plan(by=_office())
    letters_freeze(by=_office(), limit=100)
    print_run_render(by=_office(), print_run=print_run_make(by=_office()))
    register_stage(by=cast.member(cast.ADMINISTRATOR), content=FEED.read_bytes(), file_name="feed.csv")
    kits_stock(by=_office(), lot=Lot.objects.get(code="KL002"), first_number=1, count=4 * PEOPLE)
    for _ in range(2 * PEOPLE):
        factories.a_person()
    batch_open(by=_office(), size=PEOPLE)
    samples = [bench.a_sample() for _ in range(12)]
    bench.measured([(sample, 5 + n) for n, sample in enumerate(samples)])
    for _ in range(12):
        factories.a_ready_return()
    bench.an_open_run()


def _apply() -> object:
    load = RegisterLoad.objects.get()
    return register_apply(by=cast.member(cast.ADMINISTRATOR), load=load, override_hold=False)


def _open() -> object:
    """Opening is the one step that is meant to do more each time; the test asks for it until it was done once."""
    if Batch.objects.filter(asked_for=PEOPLE).count() < 2:
        return batch_open(by=_office(), size=PEOPLE)
    return None


def _dispatch() -> object:
    return batch_dispatch(by=_office(), batch=Batch.objects.filter(asked_for=PEOPLE).earliest("pk"))


def _readings() -> object:
    backs = Return.objects.order_by("pk").values_list("kit__serial", flat=True)[12:]
    lines = [f"{n},{serial},{40 + n},ng/mL,," for n, serial in enumerate(backs, start=1)]
    content = "\n".join([bench.HEADER, *lines, ""]).encode()
    return readings_load(
        by=bench.technician(), run=Run.objects.get(status="open"), name="day.csv", content=content
    )


def _release() -> object:
    return results_release_below(by=bench.lead())


def _hand_over() -> object:
    return print_run_hand_over(by=_office(), print_run=PrintRun.objects.get())


STEPS: dict[str, Callable[[], object]] = {
    "register_apply": _apply, "batch_open": _open, "batch_dispatch": _dispatch, "readings_load": _readings,
    "results_release_below": _release, "print_run_hand_over": _hand_over,
}  # fmt: skip
POINTS = [pytest.param(3, 3, id="short"), pytest.param(40, 60, id="long", marks=pytest.mark.campaign)]


@pytest.fixture(scope="module")
def ready(worker_database: str, django_db_blocker: pytest.FixtureRequest) -> Iterator[str]:
    """The prepared database, to be copied for each step."""
    name = f"{worker_database}_ready"
    clone_database(name)
    with django_db_blocker.unblock(), clock.at(NOON):
        use_database(name)
        _prepare()
        use_database(worker_database)
    yield name
    drop_database(name)


@pytest.fixture
def unblocked(django_db_blocker: pytest.FixtureRequest) -> Iterator[None]:
    with django_db_blocker.unblock():
        yield


def _clean(step: Callable[[], object]) -> tuple[dict[str, str], int, float]:
    """How the books look after a run that nobody disturbs, its number of statements and its seconds."""
    owner = Owner(database_in_use())
    before = owner.digests()
    began = time.perf_counter()
    attempt = Attempt(owner, step).run()
    seconds = time.perf_counter() - began
    assert attempt.trouble is None, attempt.trouble
    after = owner.digests()
    assert after != before
    owner.close()
    return after, attempt.statements, seconds


def _kill_points(
    statements: int, seconds: float, at: int, after: int, seed: str
) -> list[dict[str, float | bool]]:
    """Statements spread from the first to the last, and moments between; every second of those only cancels."""
    rng = random.Random(seed)  # noqa: S311 - which moments are tried, no secret
    chosen = sorted({1 + round(n * (statements - 1) / max(at - 1, 1)) for n in range(at)})
    points: list[dict[str, float | bool]] = [{"at_statement": n} for n in chosen]
    return points + [{"after": rng.uniform(0, seconds), "gently": n % 2 == 0} for n in range(after)]


def _broken_off_until_done(
    owner: Owner, step: Callable[[], object], points: list[dict[str, float | bool]], clean: dict[str, str]
) -> int:
    """Break the step off at one point after the other until one came too late; returns how often it was broken off."""
    before, numbers, broken = owner.digests(), owner.numbers(), 0
    while points:
        point = points.pop()
        attempt = Attempt(owner, step, **point).run()
        now = owner.digests()
        if now == clean:
            assert "at_statement" not in point, f"not broken off at {point}"
            return broken
        assert now == before, (point, [t for t in now if now[t] not in (before[t], clean[t])])
        assert attempt.was_broken_off, point
        broken += 1
        owner.turn_back(numbers)
    return broken


@pytest.mark.timeout(1800)
@pytest.mark.usefixtures("unblocked")
@pytest.mark.parametrize(("at", "after"), POINTS)
@pytest.mark.parametrize("name", STEPS)
def test_a_step_killed_anywhere_is_all_or_nothing(name: str, at: int, after: int, ready: str) -> None:
    step = STEPS[name]
    with copied(ready):
        clean, statements, seconds = _clean(step)
    points = _kill_points(statements, seconds, at, after, name)
    broken, demanded = 0, sum("at_statement" in point for point in points)
    while points:
        with copied(ready) as database:
            owner = Owner(database)
            broken += _broken_off_until_done(owner, step, points, clean)
            for _again in range(2):
                assert Attempt(owner, step).run().trouble is None
                ended = owner.digests()
                assert ended == clean, [table for table in ended if ended[table] != clean[table]]
            owner.close()
            assert all(projection_differences(ledger)[1] == 0 for ledger in walls)
            connections.close_all()
    assert broken >= demanded


@pytest.mark.usefixtures("unblocked")
def test_the_steps_do_what_their_names_say(ready: str) -> None:
    """So that the equality above is not an equality of nothing."""
    with copied(ready):
        for step in STEPS.values():
            step()
        assert Person.objects.count() > 500
        assert Result.objects.count() == 12
        assert Sample.objects.filter(state="measured").count() == 12
        assert set(Batch.objects.values_list("asked_for", flat=True)) >= {PEOPLE}
        assert PrintRun.objects.get().status == "handed_over"
