"""Two desks that touch the same kit wait for each other: whoever comes second takes no lock the first will want."""

import threading
from collections.abc import Callable
from time import sleep

import pytest
from django.db import connection, transaction

from screening.models import IntakeSession, Kit, Return, Round
from screening.services.batches import kit_reported_lost
from screening.services.intake import bench_scan, return_solve
from screening.services.intake_solve import Answer
from screening.services.kits_by_hand import kit_hand_over
from staff import clock
from staff.errors import RoundbookError
from tests import cast, factories
from tests.screening.intake import bench

WAITING = """
SELECT count(*) FROM pg_locks w WHERE NOT w.granted
    AND pg_backend_pid() = ANY (pg_blocking_pids(w.pid))
"""
Does = Callable[[], object]


def solved(session: IntakeSession, kit: Kit) -> Does:
    """The phone desk solves the set-aside."""
    back = Return.objects.get(kit=kit)
    return lambda: return_solve(
        by=cast.member(cast.PHONE_DESK), return_=back, answer=Answer.DAY_TOLD, day=bench.day_of(4)
    )


def swapped(session: IntakeSession, kit: Kit) -> Does:
    """The phone desk says that the kit was swapped with another, older one."""
    other = Kit.objects.exclude(pk=kit.pk).filter(state="dispatched").order_by("pk").first()
    back = Return.objects.get(kit=kit)
    return lambda: return_solve(
        by=cast.member(cast.PHONE_DESK), return_=back, answer=Answer.SWAPPED, other_serial=other.serial
    )


def undone(session: IntakeSession, kit: Kit) -> Does:
    """The desk that scanned it undoes its scan."""
    return lambda: bench_scan(
        by=cast.member(cast.FRONT_DESK), session=session, sequence=9, raw="RB-UNDO", window="w"
    )


def lost(session: IntakeSession, kit: Kit) -> Does:
    """The office records the kit as lost."""
    return lambda: kit_reported_lost(by=cast.member(cast.PHONE_DESK), kit=kit)


def handed_over(session: IntakeSession, kit: Kit) -> Does:
    """Another kit is handed to the person."""
    other = factories.a_kit()
    return lambda: kit_hand_over(by=cast.member(cast.FRONT_DESK), round_=kit.round, raw=other.serial)


@pytest.mark.parametrize(
    ("second", "comes_back"),
    [(solved, True), (swapped, True), (undone, True), (lost, False), (handed_over, False)],
)
def test_the_second_desk_holds_nothing_the_first_will_want(
    fresh_db: str, second: Callable[[IntakeSession, Kit], Does], comes_back: bool
) -> None:
    from oversight.rehearsal.setting import region_lay_down
    from tests.conftest import FIRST_DAY

    region_lay_down(first_day=FIRST_DAY)
    partner = factories.a_person(address_1=bench.kit_out().round.person.address_1)
    kit, session, moment = bench.kit_of(factories.a_round(partner)), bench.a_session(), clock.now()
    if comes_back:
        assert bench.scan(session, kit.serial, "", "no_name").outcome == "set_aside"
    does, ended = second(session, kit), []

    def work() -> None:
        with clock.at(moment):
            try:
                does()
                ended.append("done")
            except RoundbookError as refused:
                ended.append(refused.code)
            finally:
                connection.close()

    thread = threading.Thread(target=work)
    with transaction.atomic(), connection.cursor() as cursor:
        Kit.objects.select_for_update(no_key=True).get(pk=kit.pk)
        thread.start()
        for _ in range(200):
            cursor.execute(WAITING)
            if cursor.fetchone()[0]:
                break
            sleep(0.02)
        else:
            raise AssertionError("The second desk never came to wait.")
        free = {"nowait": True, "no_key": True}
        assert list(Return.objects.filter(kit=kit).select_for_update(**free)) or not comes_back
        assert Round.objects.select_for_update(**free).get(pk=kit.round_id)
    thread.join(30)
    assert ended == ["done"]


def test_everything_at_the_desk_in_real_transactions(fresh_db: str) -> None:
    """Statements sent together with the commit tell models no row counts; nothing of the desk may depend on those."""
    from oversight.rehearsal.setting import region_lay_down
    from tests.conftest import FIRST_DAY

    region_lay_down(first_day=FIRST_DAY)
    session, brisa = bench.a_session(), cast.member(cast.FRONT_DESK)
    plain, later, late, unknown = (
        bench.kit_out(), bench.kit_out(), bench.kit_of_a_late_round(), bench.kit_in_stock()
    )  # fmt: skip
    numbers = iter(range(1, 99))

    waiting = {"serial": ""}

    def hear(raw: str, **more: object) -> str:
        answer = bench_scan(
            by=brisa,
            session=session,
            sequence=next(numbers),
            raw=raw,
            window="w",
            pending=waiting["serial"],
            **more,
        )
        waiting["serial"] = answer.serial if answer.waiting_for_day else ""
        return answer.outcome

    day = bench.day_of(2)
    assert [hear(plain.serial), hear(day)] == ["shown", "accepted"]
    assert [hear("RB-UNDO"), hear("RB-UNDO")] == ["undone", "double"]
    assert hear(later.serial, offline=True, day=day) == "set_aside"
    assert [hear(later.serial), hear("RB-NAMEFITS")] == ["shown", "made_up"]
    assert hear(late.serial, day=day) == "accepted_with_remark"
    assert hear("RB-NEWTRAY") == "tray"
    assert hear(plain.serial, day=day) == "accepted"
    assert hear(unknown.serial, day=day) == "set_aside"
    assert [hear("RB-PAUSE"), hear(bench.kit_out().serial)] == ["paused", "shown"]
    assert hear("RB-SETASIDE-NONAME") == "set_aside"
    assert hear(bench.kit_of_the_dead().serial, day=day) == "stop"
    assert [hear("RB-UNDO"), hear("RB-ACKNOWLEDGE")] == ["refused", "acknowledged"]
    session.refresh_from_db()
    assert session.paused_at is None
    assert Return.objects.exclude(state="undone").count() == 6
    unknown.refresh_from_db()
    assert unknown.void_on == clock.today()
