"""Builders of results and letters for tests, made through the ledgers."""

from datetime import date, timedelta
from decimal import Decimal
from itertools import count

from outreach.models import Letter
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from results.models import (
    Analyser,
    ContactAttempt,
    ControlLot,
    ControlReading,
    CutoffRule,
    Reading,
    Referral,
    ReferralResult,
    Result,
    Run,
    Sample,
)
from screening.models import Person, Practice, Round
from screening.services.rounds import rounds_reported_at_or_above, rounds_reported_below
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import User
from tests import cast
from tests.factories import a_person, a_ready_return, a_round, by_default

_nth = count(101)


def a_patient(**facts: object) -> Person:
    """A person with a practice."""
    return a_person(**({"practice": Practice.objects.order_by("pk").first()} | facts))


def _a_reading(sample: Sample, value: str, who: User) -> Reading:
    n = next(_nth)
    run = Run.objects.create(
        analyser=Analyser.objects.get(code="Q1"), day=clock.today(), nth=n, unit="ng/mL", status="in_control",
        opened_by=who, opened_at=clock.now(), closed_at=clock.now(),
    )  # fmt: skip
    for seq, position in enumerate(("start", "end"), start=1):
        ControlReading.objects.create(
            run=run, control=ControlLot.objects.filter(analyser=run.analyser).first(), position=position, seq=seq, value=90,
            z=0, in_control=True, read_at=clock.now(), read_by=who,
        )  # fmt: skip
    raw = Decimal(value) * 5
    return Reading.objects.create(
        sample=sample, run=run, running_number=n, raw=str(raw), value=raw, unit="ng/mL", analysed_on=clock.today(),
        read_at=clock.now(),
    )  # fmt: skip


def a_result(value: str = "3.0", *, round_: Round | None = None, authorised: date | None = None) -> Result:
    """An authorised result of a returned kit, at or above from 20 µg/g, with its referral and its round moved."""
    who = cast.member(cast.LAB_LEAD)
    round_ = round_ or a_round(a_patient())
    back = a_ready_return(round_)
    high = Decimal(value) >= 20
    day = authorised or clock.today()
    with acting(who) as frame:
        sample = Sample.objects.create(
            return_of=back, kit=back.kit, round=round_, person=round_.person, serial=back.kit.serial,
            collected_earliest=back.collected_earliest, usable_until=clock.today() + timedelta(days=10),
        )  # fmt: skip
        make_move(sample, "take_in", due_on=clock.today(), pool="laboratory")
        reading = _a_reading(sample, value, who)
        rule = CutoffRule.objects.get()
        result = Result.objects.create(
            sample=sample, round=round_, person=round_.person, reading=reading, run=reading.run, raw_value=reading.value,
            raw_unit="ng/mL", kit_model=back.kit.lot.kit_model, stool_mg=12, buffer_ml=Decimal("2.4"),
            reported_ug_g=Decimal(value), decimals=1, side="at_or_above" if high else "below", rule=rule,
            cutoff_ug_g=rule.cutoff_ug_g, comparison=">=", sex_used="female", age_used=62, analysed_on=day,
            authorised_on=day, authorised_at=frame.now, authorised_by=who,
        )  # fmt: skip
        if high:
            referral = Referral.objects.create(person=round_.person, opened_on=day)
            make_move(referral, "open", due_on=day + timedelta(days=1), owner=cast.member(cast.COORDINATOR))
            ReferralResult.objects.create(referral=referral, result=result)
            rounds_reported_at_or_above(by=who, round_ids=[round_.pk], due_on=day + timedelta(days=1))
        else:
            rounds_reported_below(by=who, rows=[(round_.pk, day)])
    return result


def an_attempt(result: Result) -> ContactAttempt:
    """A first call about this result."""
    who = cast.member(cast.COORDINATOR)
    with acting(who) as frame:
        return ContactAttempt.objects.create(
            referral=result.referral_link.referral,
            outcome="no_answer",
            made_at=frame.now,
            made_on=frame.today,
            made_by=who,
        )


def planned(kind: str = "", **which: object) -> list[Letter]:
    """Plan everything that is owed and return the letters of a kind."""
    letters_plan(by=by_default())
    found = Letter.objects.filter(**which).order_by("pk")
    return list(found.filter(kind=kind) if kind else found)


def frozen(kind: str = "", **which: object) -> list[Letter]:
    """Plan and freeze, and return the frozen letters of a kind."""
    letters_plan(by=by_default())
    letters_freeze(by=by_default(), limit=1000)
    found = Letter.objects.filter(state="frozen", **which).order_by("pk")
    return list(found.filter(kind=kind) if kind else found)
