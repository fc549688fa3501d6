"""One move after very many in the same connection stays quick: no trigger keeps a plan made for a crowd."""

import statistics
import time

import pytest
from django.db import connection

from screening.models import Kit, Lot
from screening.serials import serial_make
from screening.services.batches import kits_stock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import User
from tests import cast

AT_MOST = 20  # times the usual single move: from measurement, a kept plan costs a hundred times and more
SIZES = [pytest.param(5_000, id="short"), pytest.param(100_000, id="long", marks=pytest.mark.campaign)]


def _births(lot: Lot, first: int, by: User) -> list[float]:
    """The seconds of each of twenty kits made and moved into stock, each in a transaction of its own."""
    taken = []
    for number in range(first, first + 20):
        began = time.perf_counter()
        with acting(by):
            make_move(Kit.objects.create(serial=serial_make(number), lot=lot), "stock")
        taken.append(time.perf_counter() - began)
    return taken


@pytest.mark.timeout(600)
@pytest.mark.usefixtures("own_region")
@pytest.mark.parametrize("many", SIZES)
def test_a_single_move_after_a_crowd(many: int) -> None:
    by, lot = cast.member(cast.ADMINISTRATOR), Lot.objects.get(code="KL002")
    before = _births(lot, 1, by)
    connection.close()
    assert kits_stock(by=by, lot=lot, first_number=1_000, count=many) == many
    after = _births(lot, 101, by)
    ratio = statistics.median(after) / statistics.median(before)
    assert ratio < AT_MOST, (
        f"a single move takes {ratio:.1f} times as long after {many} in the same connection"
    )


PLANNED_ONCE = """
SELECT DISTINCT p.proname FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid
WHERE t.tgnewtable IS NOT NULL AND NOT t.tgisinternal AND p.proname NOT LIKE 'pgtrigger%%'
  AND p.prosrc NOT ILIKE '%%EXECUTE%%'
  AND (p.prosrc ~* '\\mJOIN\\M' OR p.prosrc ~* '\\mFROM\\s+(?!moved\\M|born\\M|[(])')
"""
"""Those that read anything besides the rows of the statement itself: there is only one way to read those."""
UNSTEADY_HISTORY = """
SELECT DISTINCT p.proname FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid
WHERE t.tgnewtable IS NOT NULL AND t.tgoldtable IS NOT NULL AND p.proname LIKE 'pgtrigger%%'
  AND NOT coalesce('enable_nestloop=off' = ANY(p.proconfig), false)
"""
LAZY_COUNT = """
SELECT DISTINCT p.proname FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid
WHERE t.tgnewtable IS NOT NULL AND p.prosrc ~* 'EXISTS\\s*\\(\\s*SELECT[^)]*FROM\\s+(moved|born)\\M'
"""


@pytest.mark.usefixtures("db")
@pytest.mark.parametrize("question", [PLANNED_ONCE, UNSTEADY_HISTORY, LAZY_COUNT])
def test_statement_triggers_plan_anew(question: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(question, [])
        assert [name for (name,) in cursor.fetchall()] == []
