"""Builders that make what a test names, through the ledger, without waiting for the pages that usually do it."""

from datetime import date, timedelta
from itertools import count

from screening.models import Batch, Delivery, Kit, Lot, Person, PersonIdentifier, Return, Round
from screening.serials import person_number_make, serial_make
from screening.services.rounds import policy_on
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import Site, User
from tests import cast

_number = count(1)


def by_default() -> User:
    """Who acts when a test does not say."""
    return cast.member(cast.ADMINISTRATOR)


def a_person(**facts: object) -> Person:
    """A person of 62 with an address, unless said otherwise; `next_due_on` is today."""
    n = next(_number)
    given = {
        "family_name": f"Tovelin{n}", "given_names": "Marra", "name_key": f"tovelin{n} marra", "birth_date": date(1964, 3, 9),
        "sex": "female", "address_1": f"{n} Mill Lane", "locality": "Quillport", "postcode": "0Q-417",
        "next_due_on": clock.today(),
    }  # fmt: skip
    person = Person.objects.create(**(given | facts))
    PersonIdentifier.objects.create(person=person, value=person_number_make(n), valid_from=date(2020, 1, 1))
    return person


def a_kit(lot: Lot | None = None, *, by: User | None = None) -> Kit:
    """A kit in stock."""
    with acting(by or by_default()):
        kit = Kit.objects.create(
            serial=serial_make(900_000_00 + next(_number)), lot=lot or Lot.objects.order_by("pk").first()
        )
        make_move(kit, "stock")
    return kit


def a_round(
    person: Person | None = None, *, state: str = "kit_out", sent_days_ago: int = 10, by: User | None = None
) -> Round:
    """A round with its kit: `kit_due` (kit assigned), or `kit_out` (kit dispatched so many days ago)."""
    who = by or by_default()
    person = person or a_person()
    sent = clock.today() - timedelta(days=sent_days_ago)
    with acting(who) as frame:
        batch = Batch.objects.create(
            number=f"B{next(_number)}", opened_on=sent, opened_by=who, opened_at=frame.now,
            protocol=policy_on(sent).protocol, size=1,
        )  # fmt: skip
        round_ = Round.objects.create(
            person=person, batch=batch, protocol=batch.protocol, invited_on=sent, sex_at_invitation=person.sex,
            age_at_invitation=62, area=person.area,
        )  # fmt: skip
        make_move(round_, "open", due_on=sent, pool="office")
        kit = a_kit(by=who)
        make_move(kit, "assign", round_id=round_.pk, ordinal=1)
        Person.objects.filter(pk=person.pk).update(next_due_on=None)
        if state == "kit_out":
            Kit.objects.filter(pk=kit.pk).update(dispatched_on=sent)
            make_move(kit, "dispatch")
            Round.objects.filter(pk=round_.pk).update(dispatched_on=sent)
            make_move(round_, "kit_sent", due_on=sent + timedelta(days=90), pool="office")
    round_.refresh_from_db()
    return round_


def a_delivery(*, arrived: date | None = None, by: User | None = None) -> Delivery:
    """A sack that arrived today at the harbour clinic."""
    day = arrived or clock.today()
    return Delivery.objects.create(
        site=Site.objects.get(code="QHC"), arrived_on=day, arrived_at=clock.moment(day, 8), label="sack",
        recorded_by=by or by_default(),
    )  # fmt: skip


def a_ready_return(
    round_: Round | None = None, *, collected: date | None = None, by: User | None = None
) -> Return:
    """A kit that came back today and is ready for the bench; its round waits for the result."""
    who = by or by_default()
    round_ = round_ or a_round()
    kit = round_.kits.get(void_on__isnull=True)
    day = collected or clock.today() - timedelta(days=2)
    with acting(who):
        make_move(kit, "return")
        back = Return.objects.create(
            kit=kit, delivery=a_delivery(by=who), arrived_on=clock.today(), collected_earliest=day, collected_latest=day,
            name_checked=True,
        )  # fmt: skip
        make_move(back, "log", due_on=clock.today(), pool="front_desk")
        make_move(back, "accept")
        make_move(round_, "kit_back", due_on=clock.today() + timedelta(days=7), pool="laboratory")
    return back
