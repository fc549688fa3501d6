"""Measures opening an invitation batch and moving many things at once."""

from collections.abc import Sequence
from datetime import timedelta
from time import perf_counter

from django.db import connection

from oversight.measuring.bench import ROUNDS, Bench, Measured, bare_hands, days_ago, with_times
from screening.models import Lot, Round
from screening.services.batches import LARGEST_BATCH, batch_dispatch, batch_open, kits_stock
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move, make_moves
from staff.ledger.registry import ledger_of
from staff.models import User

SINGLE_MOVES = 50


def kits_taken_in(count: int, *, by: User) -> None:
    """Stock for what follows, of the lot that lasts longest."""
    lot = Lot.objects.order_by("-expires_on").first()
    if lot is None:
        raise LookupError("The region has no lot of kits.")
    kits_stock(by=by, lot=lot, first_number=1, count=count)


def rounds_out(count: int, *, by: User, days: int = 14) -> Sequence[int]:
    """So many rounds whose kit was handed to the post so many days ago; returns their ids."""
    opened: list[int] = []
    with days_ago(days):
        kits_taken_in(count, by=by)
        while (left := count - len(opened)) > 0:
            batch = batch_open(by=by, size=min(left, LARGEST_BATCH))
            batch_dispatch(by=by, batch=batch)
            opened += Round.objects.filter(batch=batch).order_by("pk").values_list("pk", flat=True)
    return opened


BARE_BATCH = """
WITH wanted AS MATERIALIZED (
    SELECT p.*, row_number() OVER (ORDER BY p.next_due_on, p.id) AS n FROM (
        SELECT id, sex, birth_date, area_id, deprivation_fifth, next_due_on FROM screening_person
        WHERE next_due_on <= %(today)s ORDER BY next_due_on, id LIMIT %(size)s) p
), stock AS MATERIALIZED (
    SELECT k.id AS kit_id, row_number() OVER (ORDER BY k.id) AS n FROM (
        SELECT id FROM screening_kit WHERE state = 'in_stock' ORDER BY lot_id, id LIMIT %(size)s) k
), pairs AS MATERIALIZED (
    SELECT nextval(pg_get_serial_sequence('screening_round', 'id')) AS round_id, w.*, s.kit_id
    FROM wanted w JOIN stock s USING (n)
), rounds AS (
    INSERT INTO screening_round (id, person_id, protocol_id, nth, invited_on, sex_at_invitation, age_at_invitation,
        area_id, deprivation_fifth, state, last_seq, due_on, pool, state_since)
    SELECT round_id, id, (SELECT min(id) FROM screening_protocol), 1, %(today)s, sex,
        extract(year FROM age(%(today)s::date, birth_date)), area_id, deprivation_fifth, 'kit_due', 1, %(today)s,
        'office', roundbook_now()
    FROM pairs
), round_moves AS (
    INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool)
    SELECT round_id, 1, 'open', '', 'kit_due', %(today)s, 'office' FROM pairs
), kits AS (
    UPDATE screening_kit k SET round_id = p.round_id, ordinal = 1, state = 'assigned', last_seq = 2
    FROM pairs p WHERE k.id = p.kit_id
), kit_moves AS (
    INSERT INTO screening_kitmove (subject_id, seq, event, from_state, to_state)
    SELECT kit_id, 2, 'assign', 'in_stock', 'assigned' FROM pairs
), people AS (
    UPDATE screening_person q SET next_due_on = NULL FROM pairs p WHERE q.id = p.id
)
SELECT count(*) FROM pairs
"""
BATCH_TABLES = (
    "screening_round", "screening_roundmove", "screening_kit", "screening_kitmove", "screening_person",
)  # fmt: skip


def batch(bench: Bench) -> Measured:
    """Opening a batch: rounds, kits, both ledgers and the people's next dates."""
    size = max(min(LARGEST_BATCH, bench.people // (2 * ROUNDS + 2)), 1)
    kits_taken_in(2 * ROUNDS * size, by=bench.desk)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE screening_kit")

    def bare(_n: int) -> int:
        return bare_batch(bench, size)

    return bench.race(lambda _n: batch_open(by=bench.desk, size=size).size, bare)


def bare_batch(bench: Bench, size: int) -> int:
    """The same rows without triggers."""
    with bare_hands(*BATCH_TABLES, by=bench.desk) as owner, owner.transaction():
        row = owner.execute(BARE_BATCH.encode(), {"today": clock.today(), "size": size}).fetchone()
        return int(row[0]) if row else 0


BARE_MOVES = """
WITH moved AS (
    UPDATE screening_round SET last_seq = last_seq + 1, due_on = %(due)s WHERE id = ANY(%(ids)s)
    RETURNING id, last_seq, state, pool
)
INSERT INTO screening_roundmove (subject_id, seq, event, from_state, to_state, due_on, pool)
SELECT id, last_seq, 'reschedule', state, state, %(due)s, pool FROM moved
"""


def moves(bench: Bench) -> Measured:
    """One event for up to 100,000 rounds in one statement; then single moves in the same connection."""
    rounds = list(rounds_out(max(min(100_000, bench.people // 3), 1), by=bench.desk))
    due = clock.today() + timedelta(days=70)

    def ours(_n: int) -> int:
        with acting(bench.desk):
            return make_moves(
                ledger_of(Round),
                "reschedule",
                source="SELECT unnest(%(ids)s::bigint[]) AS id",
                params={"ids": rounds, "due": due},
                values={"due_on": "%(due)s::date", "pool": "'office'"},
            )

    def bare(_n: int) -> int:
        with (
            bare_hands("screening_round", "screening_roundmove", by=bench.desk) as owner,
            owner.transaction(),
        ):
            return owner.execute(BARE_MOVES.encode(), {"ids": rounds, "due": due}).rowcount

    found = bench.race(ours, bare)
    ours(0)
    return with_times(found, [_one_move(pk, by=bench.desk) for pk in rounds[:SINGLE_MOVES]])


def _one_move(pk: int, *, by: User) -> float:
    round_ = Round.objects.get(pk=pk)
    began = perf_counter()
    with acting(by) as frame:
        make_move(round_, "reschedule", due_on=frame.today + timedelta(days=60), pool="office")
    return perf_counter() - began


def serials_of(round_ids: Sequence[int]) -> list[str]:
    """The serials of these rounds' kits, in the order of the rounds."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT serial FROM screening_kit WHERE round_id = ANY(%s) ORDER BY round_id", [list(round_ids)]
        )
        return [serial for (serial,) in cursor.fetchall()]
