"""The proof as a whole: a small database holds, the command's exit status, days and limits; damages are in `test_mutations`."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from html import unescape

import psycopg
import pytest
from django.core.management import call_command
from django.db import connection
from django.test import Client

from oversight.checks import CHECKS
from oversight.checks.base import overdue_on
from oversight.models import ProofRun
from oversight.net import LISTS
from oversight.proof_page import findings_of
from oversight.rehearsal.setting import region_lay_down
from oversight.services.proofs import p1_violations, prove
from results.models import InboxLine, Result
from screening.models import Return
from screening.services.due import due_dates_refresh
from staff import clock
from staff.models import User
from tests import cast
from tests.conftest import FIRST_DAY
from tests.oversight import worked

TODAY = date(2026, 6, 17)
"""A Wednesday, noon by the tests' clock."""


@dataclass(frozen=True)
class Healthy:
    """Handles on a small database in which every check holds."""

    high: Result
    below: Result
    fresh: Return


def ago(days: int) -> date:
    """So many days before the tests' day."""
    return TODAY - timedelta(days=days)


@pytest.fixture
def healthy(as_owner: psycopg.Connection) -> Healthy:
    """Two finished rounds, one kit just received, one person not back yet."""
    region_lay_down(first_day=FIRST_DAY)
    high = worked.released(worked.came_back(worked.invited(ago(60)), ago(5)), ago(1), high=True)
    below = worked.released(worked.came_back(worked.invited(ago(60), sex="male"), ago(25)), ago(20))
    worked.letter(high, ago(1), not_before=ago(1))
    worked.letter(below, ago(18))
    fresh = worked.came_back(worked.invited(ago(30)), ago(1))
    worked.invited(ago(10))
    InboxLine.objects.create(
        at=clock.now(), file_id=1, line=1, raw="x", verdict="unknown_serial", sentence="x"
    )
    due_dates_refresh(by=cast.member(cast.ADMINISTRATOR))
    return Healthy(high, below, fresh)


def damage(owner: psycopg.Connection, table: str, *statements: str) -> None:
    """Change rows behind the application's back, with the table's triggers off."""
    owner.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
    for statement in statements:
        owner.execute(statement)
    owner.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")


def no_referral(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage(owner, "results_referralresult", "DELETE FROM results_referralresult")


def below_letter_never_left(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage(
        owner,
        "outreach_letter",
        f"UPDATE outreach_letter SET result_id = NULL WHERE result_id = {healthy.below.pk}",
    )


def fired(run: ProofRun) -> dict[str, int]:
    """The checks that found something, with how many."""
    return {r.check_name: r.violating for r in run.results.all() if r.violating}


def test_a_healthy_database_holds(healthy: Healthy) -> None:
    run = prove(by=cast.member(cast.MANAGER))
    assert fired(run) == {}
    checked = {r.check_name: r.checked for r in run.results.all()}
    assert set(checked) == set(CHECKS)
    assert (
        checked["I1"],
        checked["I2"],
        checked["I10"],
        checked["I10b"],
        checked["I18"],
        checked["I25"],
    ) == (1, 1, 1, 1, 3, 1)


def test_command_ends_with_status_2_only_for_p1(healthy: Healthy, as_owner: psycopg.Connection) -> None:
    call_command("prove", "--json")
    below_letter_never_left(as_owner, healthy)
    call_command("prove")
    assert p1_violations(ProofRun.objects.first()) == []
    no_referral(as_owner, healthy)
    with pytest.raises(SystemExit) as ended:
        call_command("prove")
    assert ended.value.code == 2


def test_dry_run_checks_nothing(healthy: Healthy, capsys: pytest.CaptureFixture) -> None:
    call_command("prove", "--dry-run")
    assert "I18" in capsys.readouterr().out
    assert not ProofRun.objects.exists()


@pytest.mark.parametrize(
    ("today", "days", "latest"),
    [
        (date(2026, 6, 17), 2, date(2026, 6, 14)),
        (date(2026, 6, 17), 1, date(2026, 6, 15)),
        (date(2026, 6, 15), 1, date(2026, 6, 11)),
        (date(2026, 6, 15), 5, date(2026, 6, 7)),
    ],
)
def test_overdue_days_skip_weekends(today: date, days: int, latest: date) -> None:
    assert overdue_on(today, days, frozenset()) == latest


def test_a_closed_day_moves_the_limit() -> None:
    assert overdue_on(date(2026, 6, 17), 1, {date(2026, 6, 16)}) == date(2026, 6, 14)


@pytest.mark.usefixtures("region")
def test_every_query_that_is_shown_runs_as_it_is_shown(signed_in: Callable[[str], Client]) -> None:
    run = prove(by=User.objects.system())
    for finding in findings_of(run, address=lambda _person: ""):
        with connection.cursor() as cursor:
            cursor.execute(finding.sql)
            assert cursor.fetchone()[0] == (finding.result.violating if finding.result else None)
    for name in LISTS:
        text = signed_in(cast.MANAGER).get(f"/nobody-falls-through/list/{name}/").content.decode()
        (sql,) = re.findall(r"<pre[^>]*><code>(.*?)</code></pre>", text, re.S)
        with connection.cursor() as cursor:
            cursor.execute(unescape(sql))
            assert cursor.fetchone()[0] == run.net.get(name=name).waiting
