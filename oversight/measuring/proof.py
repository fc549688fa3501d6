"""Measures the proof: over everything, and over what changed; against reading every row it looks at once."""

from time import perf_counter

from django.db import connection

from oversight.measuring.bench import Bench, Measured
from oversight.measuring.proof_fill import TABLES
from oversight.seal.sql import STEADY
from oversight.seal.tables import sealed_tables
from oversight.services.changed import prove_changed
from oversight.services.proofs import prove
from oversight.services.seal import day_sealed, seal_night
from oversight.services.seal_verify import seals_verify
from screening.models import Round
from screening.services.due import due_dates_refresh
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User

SLOWEST = 6
CHANGED = 1000


def _bare() -> float:
    """Every row of the tables a proof looks at, read once."""
    began = perf_counter()
    with connection.cursor() as cursor:
        for table in TABLES:
            cursor.execute(f"SELECT count(t.*) FROM {table} t")
    return perf_counter() - began


def proof_full(bench: Bench) -> Measured:
    """Every check, ledger and list over everybody; the slowest checks are said beside."""
    system = User.objects.system()
    limit = _bare()
    run = prove(by=system)
    limit = min(limit, _bare())
    slow = sorted(run.results.all(), key=lambda one: -one.seconds)[:SLOWEST]
    told = ", ".join(f"{one.check_name} {one.seconds:.1f} s" for one in slow)
    odd = ", ".join(f"{one.check_name} {one.violating}" for one in run.results.all() if one.violating)
    items = sum(one.checked for one in run.results.all())
    words = f"{bench.limit} (slowest: {told}{'; not holding: ' + odd if odd else ''})"
    return Measured(bench.name, bench.people, items, run.seconds, words, limit, limit / run.seconds)


def proof_incremental(bench: Bench) -> Measured:
    """After a full proof the rounds of a thousand people move; then what changed is proved."""
    full = prove(by=User.objects.system())
    with acting(bench.desk) as frame:
        make_moves(
            ledger_of(Round), "late_kit", params={"due": frame.today},
            source=f"SELECT id FROM screening_round WHERE close_reason = 'not_returned' ORDER BY id LIMIT {CHANGED}",
            values={"due_on": "%(due)s::date", "pool": "'laboratory'"},
        )  # fmt: skip
        moved = Round.objects.filter(state="result_due").values_list("person_id", flat=True)
        due_dates_refresh(by=bench.desk, person_ids=list(moved))
    run = prove_changed(by=User.objects.system())
    slow = sorted(run.results.all(), key=lambda one: -one.seconds)[:SLOWEST]
    told = ", ".join(f"{one.check_name} {one.seconds:.1f} s" for one in slow)
    return Measured(
        bench.name,
        bench.people,
        CHANGED,
        run.seconds,
        f"{bench.limit} (slowest: {told})",
        full.seconds,
        full.seconds / run.seconds,
    )


def seal(bench: Bench) -> Measured:
    """The first seal over everything; the limit is reading every row of those tables as text once."""
    began = perf_counter()
    with connection.cursor() as cursor:
        for table in sealed_tables():
            cursor.execute(f"SELECT sum(length(t::text)) FROM {table.name} t")
    limit = perf_counter() - began
    made = seal_night(by=User.objects.system(), day=clock.today())
    if made is None:
        raise AssertionError("The day was sealed before.")
    rows, seconds = day_sealed(made.day)
    began = perf_counter()
    with connection.cursor() as cursor:
        cursor.execute(STEADY)
    broken = sum(1 for _one in seals_verify())
    told = f"{bench.limit} ({made.part} parts; verified in {perf_counter() - began:.1f} s, {broken} broken)"
    return Measured(bench.name, bench.people, rows, seconds, told, limit, limit / seconds)
