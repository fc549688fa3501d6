"""A first seal in parts: killed half-way it goes on; what was being written meanwhile is sealed later, what was put in is named."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import timedelta
from itertools import pairwise

import psycopg
import pytest
from django.conf import settings
from django.db import connection

from oversight.models import ProofRun, Seal
from oversight.seal.tables import SealedTable, sealed_tables
from oversight.services import seal as making
from oversight.services import seal_told
from oversight.services.proofs import prove
from oversight.services.seal import day_sealed, seal_night
from oversight.services.seal_verify import seals_verify
from staff import clock
from staff.models import User
from tests.conftest import NOON, clone_database, drop_database, owner_url_for, use_database
from tests.oversight.conftest import SEALS
from tests.oversight.damaging import off, one, run, undone

pytestmark = [pytest.mark.timeout(600), pytest.mark.xdist_group("rehearsal")]
PART, SMALL = 5000, 400
LOOK = "INSERT INTO staff_accessentry (at, user_id, person_id, purpose, place) VALUES ('2026-06-17T08:00Z', 1, 1, 'call', %s)"


@pytest.fixture
def copy(_played: str, worker_database: str, django_db_blocker: pytest.FixtureRequest) -> Iterator[str]:
    """A copy of the played region without seals, on which whoever comes may commit."""
    name = f"{worker_database}_unsealed"
    clone_database(name, template=_played)
    with psycopg.connect(owner_url_for(name), autocommit=True) as owner:
        for table in SEALS:
            owner.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        owner.execute(f"TRUNCATE {', '.join(SEALS)}")
        for table in SEALS:
            owner.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")
    with django_db_blocker.unblock(), clock.at(NOON):
        use_database(name)
        yield name
        use_database(worker_database)
    drop_database(name)


def sealed_rows() -> int:
    """How many rows there are to seal."""
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(f"SELECT count(*) FROM {t.name}" for t in sealed_tables()))
        return sum(n for (n,) in cursor.fetchall())


def night(days: int, **how: int) -> Seal | None:
    """The seal of a later night."""
    with clock.at(NOON + timedelta(days=days)):
        return seal_night(by=User.objects.system(), day=clock.today(), **how)


def named() -> list[tuple[str, int, str]]:
    return [(broken.table, broken.id, broken.how) for broken in seals_verify()]


@pytest.mark.usefixtures("copy")
def test_parts_are_chained_and_together_cover_every_row() -> None:
    there = sealed_rows()
    last = night(0, part_rows=PART)
    assert last is not None
    seals = list(Seal.objects.order_by("pk"))
    assert [seal.part for seal in seals] == list(range(1, last.part + 1))
    assert [seal.whole for seal in seals] == [False] * (last.part - 1) + [True]
    assert last.part > there // PART
    assert max(seal.rows for seal in seals) <= PART
    assert all(after.before == before.digest for before, after in pairwise(seals))
    assert day_sealed(clock.today())[0] == there
    assert named() == []
    assert night(0, part_rows=PART) is None
    second = night(1)
    assert second is not None
    assert (second.rows, second.part, second.whole) == (0, 1, True)


def test_a_killed_seal_goes_on_where_it_was(copy: str) -> None:
    there = sealed_rows()
    address = settings.DATABASES["default"]
    environment = os.environ | {
        "DATABASE_URL": f"postgresql://{address['USER']}:{address['PASSWORD']}@/{copy}?host={address['HOST']}&port={address['PORT']}",
        "DATABASE_OWNER_URL": owner_url_for(copy),
    }  # fmt: skip
    command = [sys.executable, "manage.py", "seal", "--part-rows", str(SMALL)]
    for parts in (2, 6):
        process = subprocess.Popen(command, cwd=settings.BASE_DIR, env=environment, stdout=subprocess.DEVNULL)
        until = time.monotonic() + 120
        while Seal.objects.count() < parts and time.monotonic() < until:
            time.sleep(0.005)
        process.send_signal(signal.SIGKILL)
        process.wait()
        made = Seal.objects.count()
        assert parts <= made < there // SMALL, "killed half-way"
        assert not Seal.objects.filter(whole=True).exists()
        assert named() == []
    done = subprocess.run(
        command, cwd=settings.BASE_DIR, env=environment, capture_output=True, text=True, check=True
    )
    assert "in " in done.stdout
    last = Seal.objects.get(whole=True)
    assert Seal.objects.count() == last.part > made
    assert day_sealed(last.day)[0] == there
    assert named() == []
    with psycopg.connect(owner_url_for(copy)) as owner:
        owner.execute("ALTER TABLE screening_roundmove DISABLE TRIGGER USER")
        owner.execute("DELETE FROM screening_roundmove WHERE id = 2500")
    assert named() == [("screening_roundmove", 2500, "deleted")]


@pytest.mark.usefixtures("copy")
def test_a_ring_gives_a_long_seal_so_many_seconds_and_the_next_goes_on() -> None:
    system, day = User.objects.system(), clock.today()
    first = seal_night(by=system, day=day, part_rows=PART, seconds=0)
    assert first is not None
    assert (first.part, first.whole) == (1, False)
    assert prove(by=system).results.get(check_name="I36").violating == 0
    while not (seal_night(by=system, day=day, part_rows=PART, seconds=0) or first).whole:
        continue
    assert named() == []


def test_a_row_still_being_written_is_sealed_later_and_one_put_in_is_named_for_ever(copy: str) -> None:
    night(0)
    with (
        psycopg.connect(owner_url_for(copy)) as writing,
        psycopg.connect(owner_url_for(copy), autocommit=True) as other,
    ):
        writing.execute(LOOK, ["before"])
        burnt = other.execute("SELECT nextval(pg_get_serial_sequence('staff_accessentry', 'id'))").fetchone()
        other.execute(LOOK, ["after"])
        night(1)
        writing.commit()
    assert named() == [], "its transaction had begun when the seal was made"
    with psycopg.connect(owner_url_for(copy), autocommit=True) as other:
        oldest = other.execute("SELECT pg_snapshot_xmin(pg_current_snapshot())::text::bigint").fetchone()
    assert oldest is not None
    third = night(2)
    assert third is not None
    assert third.tables["staff_accessentry"]["rows"] == 1
    # Kept only for what ran then and, in another database of the cluster too, may still run.
    assert all(xmax > oldest[0] for xmax, _ids in third.tables["staff_accessentry"]["missing"])
    assert named() == []
    assert burnt is not None
    with psycopg.connect(owner_url_for(copy), autocommit=True) as other:
        other.execute(
            "INSERT INTO staff_accessentry (id, at, user_id, person_id, purpose, place) VALUES (%s, '2026-06-17T08:00Z', 1, 1, 'call', '')",
            burnt,
        )
    forged = [("staff_accessentry", burnt[0], "inserted")]
    assert named() == forged
    night(3)
    assert named() == forged
    night(4)
    assert named() == forged


def test_a_column_that_comes_later_is_sealed_from_then_on(
    as_owner_of_region: ProofRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    def without_note() -> Iterator[SealedTable]:
        for table in sealed_tables():
            columns = tuple(c for c in table.columns if (table.name, c) != ("screening_roundmove", "note"))
            yield SealedTable(table.name, table.key, columns, in_order=table.in_order)

    with undone():
        for module in (making, seal_told):
            monkeypatch.setattr(module, "sealed_tables", without_note)
        first = night(0)
        monkeypatch.undo()
        assert first is not None
        assert named() == []
        off("screening_roundmove")
        pk = one("SELECT min(id) FROM screening_roundmove")
        with undone():  # what was altered before is not hidden by sealing it again
            run("UPDATE screening_roundmove SET reason = 'forged' WHERE id = %s", pk)
            night(1)
            assert named() == [("screening_roundmove", pk, "altered")]
        second = night(1)
        assert second is not None
        assert second.tables["screening_roundmove"]["since"] == second.pk
        assert second.tables["screening_kitmove"]["since"] == first.tables["screening_kitmove"]["since"]
        assert named() == []
        with undone():
            run("UPDATE screening_roundmove SET note = 'forged' WHERE id = %s", pk)
            assert named() == [("screening_roundmove", pk, "altered")]
