"""Entries of the access journal whose time is over go without an alarm; any other that goes is named."""

from collections.abc import Iterator

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction

from oversight.models import AgedOut, ProofRun
from oversight.services.journal_ageing import journal_age_out, journal_leaving
from oversight.services.proofs import prove
from oversight.services.seal import seal_night
from oversight.services.seal_verify import seals_verify
from staff import clock
from staff.errors import NotAllowed, RoundbookError
from staff.models import AccessEntry, User
from tests import cast
from tests.oversight.damaging import one, run, undone

pytestmark = [pytest.mark.timeout(600), pytest.mark.xdist_group("rehearsal")]
OLD = """
INSERT INTO staff_accessentry (at, user_id, person_id, purpose, place)
SELECT day, 1, n, 'call', 'phone desk' FROM generate_series(1, 30) n
CROSS JOIN unnest(ARRAY['2014-03-05T10:00Z', '2014-04-05T10:00Z', '2016-07-05T10:00Z']::timestamptz[]) day
"""
"""Thirty looks in each of three months: of two the time is over (one has a partition of its own), of the third not."""


@pytest.fixture
def journal(as_owner_of_region: ProofRun) -> Iterator[None]:
    with undone():
        run("SELECT roundbook_ensure_month('staff_accessentry', '2014-03-01')")
        run(OLD)
        seal_night(by=User.objects.system(), day=clock.today())
        assert named() == []
        yield


def named() -> list[tuple[str, int, str]]:
    return [(broken.table, broken.id, broken.how) for broken in seals_verify()]


def two() -> dict[str, User]:
    return {"by": cast.member(cast.ADMINISTRATOR), "agreed_by": cast.member(cast.MANAGER)}


@pytest.mark.usefixtures("journal")
def test_what_is_past_its_time_goes_and_no_seal_misses_it() -> None:
    before, there = journal_leaving(clock.today()), AccessEntry.objects.count()
    assert (str(before.before), before.rows, before.people) == ("2016-06-01", 60, 30)
    gone = journal_age_out(**two())
    assert gone is not None
    assert (gone.rows, AccessEntry.objects.count()) == (60, there - 60)
    assert named() == []
    assert prove(by=User.objects.system()).results.get(check_name="I36").violating == 0
    assert journal_age_out(**two()) is None
    pk = one("SELECT min(id) FROM staff_accessentry WHERE at < '2017-01-01'")
    with undone():  # younger than that, and nobody let it go
        run("DELETE FROM staff_accessentry_default WHERE id = %s", pk)
        assert named() == [("staff_accessentry", pk, "deleted")]
        assert prove(by=User.objects.system()).results.get(check_name="I36").violating == 1
    with undone():  # put back
        back = one("SELECT lower(ids::int8multirange) FROM oversight_agedout")
        run(
            "INSERT INTO staff_accessentry (id, at, user_id, person_id, purpose, place) VALUES (%s, '2016-08-01Z', 1, 1, 'call', '')",
            back,
        )
        assert named() == [("staff_accessentry", back, "inserted")]


@pytest.mark.usefixtures("journal")
def test_a_deletion_of_old_entries_behind_the_applications_back_is_named() -> None:
    pks = [
        one("SELECT min(id) FROM staff_accessentry WHERE at < '2014-04-01'"),
        one("SELECT min(id) FROM staff_accessentry WHERE at BETWEEN '2014-04-01' AND '2015-01-01'"),
    ]
    run("DELETE FROM staff_accessentry_default WHERE id = %s", pks[1])
    assert named() == [("staff_accessentry", pks[1], "deleted")]
    with pytest.raises(RoundbookError) as refused:
        journal_age_out(**two())
    assert refused.value.code == "journal_differs"
    run("DROP TABLE staff_accessentry_201403")
    assert len(named()) == 31
    run(
        "INSERT INTO oversight_agedout (name, before, ids, rows, seal_id, asked_by_id, agreed_by_id, made_at, signature)"
        " SELECT 'staff_accessentry', '2016-06-01', '{[0,1000000)}', 60, max(id), 1, 2, '2026-06-17Z', repeat('0', 64) FROM oversight_seal"
    )
    assert len(named()) == 31, "whoever has no key of the application cannot say that it was lawful"
    assert AgedOut.objects.count() == 1


@pytest.mark.usefixtures("journal")
def test_nothing_goes_alone_unsealed_or_too_early(capsys: pytest.CaptureFixture) -> None:
    boss = cast.member(cast.MANAGER)
    with pytest.raises(RoundbookError) as refused:
        journal_age_out(by=boss, agreed_by=boss)
    assert refused.value.code == "same_person"
    with pytest.raises(NotAllowed):
        journal_age_out(by=boss, agreed_by=cast.member(cast.FRONT_DESK))
    for day in ("2026-01-01", "2014-05-02"):
        with (
            pytest.raises(DatabaseError, match="is kept for 10 years"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute("SELECT roundbook_journal_age_out(%s)", [day])
    with undone():
        run(OLD)
        with pytest.raises(RoundbookError) as refused:
            journal_age_out(**two())
        assert refused.value.code == "not_sealed"
    with pytest.raises(CommandError, match="no active account"):
        call_command("age_out_journal", asked_by="nobody", agreed_by=cast.MANAGER)
    call_command("age_out_journal")
    assert "60 entries before 2016-06-01 about 30 people are past their time" in capsys.readouterr().out
    assert AccessEntry.objects.filter(at__year=2014).count() == 60
    call_command("age_out_journal", asked_by=cast.ADMINISTRATOR, agreed_by=cast.MANAGER)
    assert "They are deleted; the seal knows which they were." in capsys.readouterr().out
    assert not AccessEntry.objects.filter(at__year=2014).exists()
