"""Builders for the intake tests: a session to scan into, and kits in every situation the accession table names."""

import time
from collections.abc import Callable, Sequence
from datetime import date, timedelta

from django.test import Client
from django.urls import reverse

from screening.models import IntakeSession, Kit, Lot, Person, Return, Round, Scan, Stop
from screening.serials import serial_make
from screening.services.intake import kit_scan, session_start
from screening.services.intake_answers import ScanAnswer
from screening.services.rounds import rounds_close
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from tests import cast, factories


def a_session() -> IntakeSession:
    """A session of the front desk in a delivery that arrived today."""
    brisa = cast.member(cast.FRONT_DESK)
    return session_start(by=brisa, delivery=factories.a_delivery(by=brisa))


def kit_of(round_: Round) -> Kit:
    """The round's live kit."""
    return round_.kits.get(void_on__isnull=True)


def scan(
    session: IntakeSession, raw: str, day: str = "", condition: str = "", sequence: int = 0
) -> ScanAnswer:
    """One scan as the front desk makes it, with the next sequence number unless one is given."""
    latest = Scan.objects.filter(session=session).order_by("-sequence").first()
    return kit_scan(
        by=cast.member(cast.FRONT_DESK), session=session, sequence=sequence or (latest.sequence + 1 if latest else 1),
        raw=raw, keyed_day=day, condition=condition,
    )  # fmt: skip


def day_of(days_ago: int) -> str:
    """The day of the month so many days before today, as keyed."""
    return str((clock.today() - timedelta(days=days_ago)).day)


def _closed(reason: str) -> Kit:
    round_ = factories.a_round(sent_days_ago=20)
    kit = kit_of(round_)
    rounds_close(by=cast.member(cast.PHONE_DESK), round_ids=[round_.pk], reason=reason)
    return kit


def kit_out(sent_days_ago: int = 10) -> Kit:
    """A kit with the person."""
    return kit_of(factories.a_round(sent_days_ago=sent_days_ago))


def kit_never_dispatched() -> Kit:
    """A kit assigned and never marked as handed to the post."""
    return kit_of(factories.a_round(state="kit_due"))


def kit_in_stock() -> Kit:
    """A kit nobody was given."""
    return factories.a_kit()


def kit_of_the_dead() -> Kit:
    """The kit of a person who died since."""
    kit = kit_out()
    with acting(cast.member(cast.PHONE_DESK)):
        Person.objects.filter(pk=kit.round.person_id).update(deceased_on=clock.today())
    return kit


def kit_of_a_quarantined_lot() -> Kit:
    """A kit whose lot was quarantined."""
    kit = kit_out()
    with acting(cast.member(cast.ADMINISTRATOR)):
        Lot.objects.filter(pk=kit.lot_id).update(quarantined=True)
    return kit


def kit_expired() -> Kit:
    """A kit whose lot expired last week."""
    kit = kit_out()
    with acting(cast.member(cast.ADMINISTRATOR)):
        Lot.objects.filter(pk=kit.lot_id).update(expires_on=clock.today() - timedelta(days=7))
    return kit


def kit_of_the_opted_out() -> Kit:
    """The kit of a person who opted out since."""
    kit = kit_out()
    with acting(cast.member(cast.PHONE_DESK)):
        Stop.objects.create(person=kit.round.person, scope="invitations", since=clock.today(), source="phone")
    return kit


def kit_of_a_late_round() -> Kit:
    """The kit of a round that closed because nothing came back."""
    return _closed("not_returned")


def kit_of_the_declined() -> Kit:
    """The kit of a round that closed as declined."""
    return _closed("declined")


def kit_of_the_excluded() -> Kit:
    """The kit of a round that closed for an exclusion."""
    return _closed("excluded")


def kit_reported_lost() -> Kit:
    """A kit that had been reported lost."""
    kit = kit_out()
    with acting(cast.member(cast.PHONE_DESK)):
        make_move(kit, "lost")
    return kit


def kit_undelivered() -> Kit:
    """A kit the post had brought back."""
    kit = kit_out()
    with acting(cast.member(cast.FRONT_DESK)):
        make_move(kit, "undelivered")
    return kit


def second_kit(round_: Round | None = None) -> Kit:
    """A second kit of a round whose first, voided, is still out."""
    round_ = round_ or factories.a_round(sent_days_ago=20)
    first = kit_of(round_)
    with acting(cast.member(cast.ADMINISTRATOR)):
        Kit.objects.filter(pk=first.pk).update(void_on=clock.today(), void_reason="replaced")
        kit = factories.a_kit()
        Kit.objects.filter(pk=kit.pk).update(dispatched_on=clock.today() - timedelta(days=6))
        make_move(kit, "assign", round_id=round_.pk, ordinal=2)
        make_move(kit, "dispatch")
    kit.refresh_from_db()
    return kit


def second_kit_after_a_result() -> Kit:
    """A second kit of a round that was reported below from the first."""
    round_ = factories.a_round(sent_days_ago=20)
    first = kit_of(round_)
    kit = second_kit(round_)
    scan(a_session(), first.serial, day_of(3))
    with acting(cast.member(cast.LABORATORY)):
        round_.refresh_from_db()
        make_move(round_, "below", reason="below")
    return kit


def second_kit_while_the_first_waits() -> Kit:
    """A second kit of a round whose first kit came in and waits for its result."""
    round_ = factories.a_round(sent_days_ago=20)
    first = kit_of(round_)
    kit = second_kit(round_)
    scan(a_session(), first.serial, day_of(3))
    return kit


def kit_sent_after_its_delivery() -> Kit:
    """A kit that by our records leaves tomorrow."""
    return kit_out(sent_days_ago=-1)


def state_after(kit: Kit) -> dict[str, object]:
    """Everything a scan may have changed, for comparing two ways of logging."""
    kit = Kit.objects.get(pk=kit.pk)
    back = Return.objects.filter(kit=kit).exclude(state="undone").first()
    facts: dict[str, object] = {"kit": kit.state, "void": kit.void_on is not None}
    if back is not None:
        facts |= {
            "return": (back.state, back.due_on, back.pool, back.last_seq, back.remark, back.name_checked),
            "dates": (back.arrived_on, back.collected_earliest, back.collected_latest),
            "return_moves": list(
                back.moves.order_by("seq").values_list("event", "reason", "due_on", "pool", "rule")
            ),
            "kit_moves": list(kit.moves.order_by("seq").values_list("event", flat=True)),
        }
    if kit.round is not None:
        facts["round"] = (kit.round.state, kit.round.due_on, kit.round.pool, kit.round.last_seq)
        facts["round_moves"] = list(
            kit.round.moves.order_by("seq").values_list("event", "reason", "due_on", "pool", "rule")
        )
    return facts


def scans_timed(client: Client, session: IntakeSession, kits: Sequence[Kit], day: str) -> list[float]:
    """Seconds of each request of name and day of these kits, through the page's address, sorted."""
    address = reverse("screening:post-scan", args=[session.pk])
    sequence, seconds = Scan.objects.filter(session=session).count(), []
    for kit in kits:
        for raw, pending in ((kit.serial, ""), (day, kit.serial)):
            sequence += 1
            values = {"raw": raw, "pending": pending, "sequence": str(sequence)}
            start = time.perf_counter()
            response = client.post(address, values, headers={"HX-Request": "true"})
            seconds.append(time.perf_counter() - start)
            assert response.status_code == 200
    return sorted(seconds)


def foreign() -> str:
    """A barcode of somebody else."""
    return "4006381333931"


def unknown() -> str:
    """A serial of our form that is in no book."""
    return serial_make(999_999_999)


Situation = Callable[[], Kit]
TODAY = date(2026, 6, 17)
