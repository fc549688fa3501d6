"""Mutation tests: each check fires when a healthy database is damaged in the one way it guards against."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta

import psycopg
import pytest
from django.core.management import call_command
from django.db import connection

from oversight.checks import CHECKS
from oversight.checks.base import overdue_on
from oversight.models import ProofRun
from oversight.rehearsal.setting import region_lay_down
from oversight.services.proofs import p1_violations, prove
from oversight.services.rollup import catch_up
from results.models import InboxLine, Result
from screening.models import Return
from staff import clock
from staff.acting import acting
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
    high = worked.released(worked.came_back(worked.invited(ago(60)), ago(20)), ago(1), high=True)
    below = worked.released(worked.came_back(worked.invited(ago(60), sex="male"), ago(25)), ago(20))
    worked.letter(high, ago(1), not_before=ago(1))
    worked.letter(below, ago(18))
    fresh = worked.came_back(worked.invited(ago(30)), ago(1))
    worked.invited(ago(10))
    InboxLine.objects.create(
        at=clock.now(), file_id=1, line=1, raw="x", verdict="unknown_serial", sentence="x"
    )
    return Healthy(high, below, fresh)


def damage(owner: psycopg.Connection, table: str, *statements: str) -> None:
    """Change rows behind the application's back, with the table's triggers off."""
    owner.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
    for statement in statements:
        owner.execute(statement)
    owner.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")


def both(table: str, ledger: str, pk: int, change: str) -> list[str]:
    """The same change in a thing's row and in its last move, so that the two still agree."""
    return [
        f"UPDATE {table} SET {change} WHERE id = {pk}",
        f"UPDATE {ledger} SET {change} WHERE subject_id = {pk}"
        f" AND seq = (SELECT last_seq FROM {table} WHERE id = {pk})",
    ]


def damage_referral(owner: psycopg.Connection, pk: int, change: str) -> None:
    owner.execute("ALTER TABLE results_referralmove DISABLE TRIGGER USER")
    damage(owner, "results_referral", *both("results_referral", "results_referralmove", pk, change))
    owner.execute("ALTER TABLE results_referralmove ENABLE TRIGGER USER")


def no_referral(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage(owner, "results_referralresult", "DELETE FROM results_referralresult")


def owner_left(owner: psycopg.Connection, healthy: Healthy) -> None:
    referral = healthy.high.referral_link.referral_id
    with acting(cast.member(cast.ADMINISTRATOR)):
        gone = User.objects.create_user("gone", full_name="Gone", is_active=False)
    damage_referral(owner, referral, f"owner_id = {gone.pk}, pool = ''")


def date_too_far(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage_referral(owner, healthy.high.referral_link.referral_id, "due_on = '2026-07-18'")


def date_long_past(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage_referral(owner, healthy.high.referral_link.referral_id, "due_on = '2026-06-12'")


def high_letter_never_left(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage(
        owner,
        "outreach_letter",
        f"UPDATE outreach_letter SET result_id = NULL WHERE result_id = {healthy.high.pk}",
    )
    damage(
        owner, "results_result",
        f"UPDATE results_result SET authorised_on = '2026-06-15' WHERE id = {healthy.high.pk}",
    )  # fmt: skip


def below_letter_never_left(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage(
        owner,
        "outreach_letter",
        f"UPDATE outreach_letter SET result_id = NULL WHERE result_id = {healthy.below.pk}",
    )


def kit_forgotten(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage(
        owner, "screening_return",
        f"UPDATE screening_return SET arrived_on = '2026-06-09', collected_earliest = '2026-06-01',"
        f" collected_latest = '2026-06-01' WHERE id = {healthy.fresh.pk}",
    )  # fmt: skip


def line_unsettled(owner: psycopg.Connection, healthy: Healthy) -> None:
    InboxLine.objects.create(
        at=clock.moment(ago(2), 9), file_id=1, line=2, raw="x", verdict="unknown_serial", sentence="x"
    )


def two_open_rounds(owner: psycopg.Connection, healthy: Healthy) -> None:
    owner.execute("DROP INDEX one_open_round_a_person")
    person = worked.invited(ago(9)).person
    worked.invited(ago(8), person=person)


def row_altered(owner: psycopg.Connection, healthy: Healthy) -> None:
    damage(
        owner, "screening_round",
        f"UPDATE screening_round SET pool = 'phone_desk' WHERE id = {healthy.fresh.kit.round_id}",
    )  # fmt: skip


def figure_altered(owner: psycopg.Connection, healthy: Healthy) -> None:
    catch_up()
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE oversight_fact SET place = 'left' WHERE round_id = %s", [healthy.fresh.kit.round_id]
        )


def invited_in_surveillance(owner: psycopg.Connection, healthy: Healthy) -> None:
    person = worked.invited(ago(9)).person
    with acting(cast.member(cast.CLINICIAN)):
        person.exclusions.create(kind="surveillance", since=ago(100), confirmed=True)


Damage = Callable[[psycopg.Connection, Healthy], None]
DAMAGES: list[tuple[str, Damage]] = [
    ("I1", no_referral),
    ("I2", owner_left),
    ("I2", date_too_far),
    ("I3", date_long_past),
    ("I10", high_letter_never_left),
    ("I10b", below_letter_never_left),
    ("I18", kit_forgotten),
    ("I25", line_unsettled),
    ("I14", two_open_rounds),
    ("I14", invited_in_surveillance),
    ("L1", row_altered),
    ("F1", figure_altered),
]


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


@pytest.mark.parametrize(("name", "how"), DAMAGES, ids=lambda one: getattr(one, "__name__", one))
def test_one_damage_fires_exactly_its_check(
    healthy: Healthy, as_owner: psycopg.Connection, name: str, how: Damage
) -> None:
    how(as_owner, healthy)
    run = prove(by=cast.member(cast.MANAGER))
    assert fired(run) == {name: 1}
    (offender,) = run.results.get(check_name=name).offenders
    assert set(offender) == {"thing", "id", "person_id", "since", "owner", "note"}


def test_every_check_has_its_damage() -> None:
    assert {name for name, _how in DAMAGES} == set(CHECKS)


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
