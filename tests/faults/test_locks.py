"""Who waits for whom: work on a thing keeps other work on it out, but not rows that merely refer to it."""

import psycopg
import pytest

from oversight.rehearsal.setting import region_lay_down
from results.models import Referral
from results.services.referrals_frame import referral_work
from staff.acting import acting
from staff.ledger.moves import make_move
from tests.conftest import FIRST_DAY
from tests.results import follow_up as f

TABLE = "results_referral"


def _may_lock(owner: psycopg.Connection, referral: Referral, how: str) -> bool:
    try:
        owner.execute(f"SELECT 1 FROM {TABLE} WHERE id = %s FOR {how} NOWAIT", [referral.pk])
    except psycopg.errors.LockNotAvailable:
        return False
    return True


@pytest.fixture
def referral(fresh_db: str) -> Referral:
    """A referral of a committed region."""
    region_lay_down(first_day=FIRST_DAY)
    return f.a_referral()


@pytest.mark.parametrize("way", ["work", "move"])
def test_a_letter_may_be_written_about_a_referral_while_somebody_works_on_it(
    referral: Referral, as_owner: psycopg.Connection, way: str
) -> None:
    # A row that refers to another takes KEY SHARE on it; two desks that each held one and wanted the other's stood still.
    assert _may_lock(as_owner, referral, "NO KEY UPDATE")
    with acting(f.kaddrin()):
        if way == "work":
            with referral_work(by=f.kaddrin(), referral=referral):
                _seen_by_another(as_owner, referral)
        else:
            make_move(referral, "claim", due_on=referral.due_on, owner=f.kaddrin())
            _seen_by_another(as_owner, referral)


def _seen_by_another(owner: psycopg.Connection, referral: Referral) -> None:
    assert _may_lock(owner, referral, "KEY SHARE")
    assert not _may_lock(owner, referral, "NO KEY UPDATE")
