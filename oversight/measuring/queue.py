"""Measures the coordinator's page: the queue at 2,000 open referrals beside the same page at 200."""

from collections.abc import Sequence
from statistics import median
from time import perf_counter

from django.test import Client
from django.urls import reverse

from oversight.measuring.bench import Bench, Measured, bare_hands, with_times
from results.states import REFERRAL
from staff import clock
from staff.models import User

SMALL, LARGE, LOOKS = 200, 2_000, 40
MOVES, CALLS = 6, 3
TABLES = ("results_referral", "results_referralmove", "results_contactattempt")
LAID = (
    "CREATE TEMP TABLE laid ON COMMIT DROP AS SELECT p.id, row_number() OVER (ORDER BY p.id)::int n FROM screening_person p"
    " WHERE NOT EXISTS (SELECT 1 FROM results_referral r WHERE r.person_id = p.id) ORDER BY p.id LIMIT %(count)s",
    "INSERT INTO results_referral (id, state, last_seq, due_on, pool, owner_id, close_reason, person_id, opened_on, origin)"
    " SELECT %(first)s + n, (%(states)s::text[])[1 + n %% cardinality(%(states)s::text[])], %(moves)s,"
    " %(today)s::date + n %% 60 - 20, CASE WHEN n %% 3 = 0 THEN 'coordinators' ELSE '' END,"
    " CASE WHEN n %% 3 = 0 THEN NULL ELSE %(by)s END::bigint, '', id, %(today)s::date - n %% 120, 'result' FROM laid",
    "INSERT INTO results_referralmove (subject_id, seq, event, from_state, to_state) SELECT %(first)s + n, m, 'move', '',"
    " 'to_reach' FROM laid, generate_series(1, %(moves)s) m",
    "INSERT INTO results_contactattempt (referral_id, channel, outcome, note, made_at, made_on, made_by_id)"
    " SELECT %(first)s + n, 'phone', 'no_answer', '', roundbook_now(), %(today)s::date - c, %(by)s"
    " FROM laid, generate_series(1, %(calls)s) c",
)


def queue_2000(bench: Bench) -> Measured:
    """The page as the coordinator opens it, journal included; the ratio is one where ten times the queue costs nothing."""
    kaddrin = User.objects.get(username="kaddrin")
    browser = Client(headers={"host": "127.0.0.1"})
    browser.force_login(kaddrin, backend="django.contrib.auth.backends.ModelBackend")
    _lay(bench, kaddrin, SMALL, first=1_000_000)
    few = _looks(browser)
    _lay(bench, kaddrin, LARGE - SMALL, first=2_000_000)
    many = _looks(browser)
    found = bench.result(
        items=LARGE, seconds=median(many), limit_seconds=median(few), ratio=median(few) / median(many)
    )
    return with_times(found, many)


def _lay(bench: Bench, by: User, count: int, *, first: int) -> None:
    """So many open referrals in every open state, with moves and calls behind them, written without triggers."""
    facts = {
        "count": count, "first": first, "states": [s for s in REFERRAL.states if s != "closed"], "moves": MOVES,
        "calls": CALLS, "today": clock.today(), "by": by.pk,
    }  # fmt: skip
    with bare_hands(*TABLES, by=by) as owner:
        with owner.transaction():
            for statement in LAID:
                owner.execute(statement.encode(), facts)
        owner.execute("ANALYZE")


def _looks(browser: Client) -> Sequence[float]:
    """Seconds of each look at the queue, after two to warm up."""
    times = []
    for n in range(LOOKS + 2):
        began = perf_counter()
        answer = browser.get(reverse("results:queue"), secure=True)
        if answer.status_code != 200:
            raise AssertionError(f"The queue answered {answer.status_code}.")
        if n > 1:
            times.append(perf_counter() - began)
    return times
