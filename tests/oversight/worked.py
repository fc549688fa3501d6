"""Builds rounds, returns, results, referrals and letters on chosen days, through the ledgers, for counting by hand."""

from datetime import date, timedelta
from decimal import Decimal
from itertools import count

from outreach.models import Letter
from results.models import (
    Analyser,
    ControlLot,
    ControlReading,
    CutoffRule,
    Examination,
    Reading,
    Referral,
    ReferralResult,
    Result,
    Run,
)
from results.services.samples import samples_take_in
from screening.models import Area, Kit, Person, Return, Round
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from tests import cast, factories

_number = count(1)


def invited(
    sent: date, *, sex: str = "female", age: int | None = 62, area: str = "QUI", person: Person | None = None,
    batch: bool = True,
) -> Round:  # fmt: skip
    """A round whose kit was handed to the post on a day."""
    with clock.at(clock.moment(sent, 9)):
        home = Area.objects.filter(code=area).first()
        who = person or factories.a_person(sex=sex, area=home)
        round_ = factories.a_round(who, sent_days_ago=0)
        changed = {"sex_at_invitation": sex, "age_at_invitation": age, "area": home}
        Round.objects.filter(pk=round_.pk).update(**changed, **({} if batch else {"batch": None}))
    round_.refresh_from_db()
    return round_


def undelivered(round_: Round, on: date) -> None:
    """The post brings the envelope back, and the round closes as undeliverable."""
    by = factories.by_default()
    with clock.at(clock.moment(on, 9)), acting(by):
        make_move(round_.kits.get(), "undelivered")
        make_move(round_, "kit_gone", due_on=on + timedelta(days=7), pool="office")
        make_move(round_, "close", reason="undeliverable")


def closed(round_: Round, on: date, reason: str) -> None:
    """A round closes for a reason that is not a result."""
    with clock.at(clock.moment(on, 9)), acting(factories.by_default()):
        make_move(round_, "close", reason=reason)


def came_back(round_: Round, on: date) -> Return:
    """The round's kit is logged and accepted on a day, and its sample is on the bench."""
    with clock.at(clock.moment(on, 9)):
        if round_.state == "closed":
            with acting(factories.by_default()):
                make_move(round_, "late_kit", due_on=on + timedelta(days=7), pool="laboratory")
                back = _logged(round_.kits.get(), on)
        else:
            back = factories.a_ready_return(round_)
        samples_take_in(by=cast.member(cast.LABORATORY))
    round_.refresh_from_db()
    return back


def _logged(kit: Kit, on: date) -> Return:
    make_move(kit, "return")
    back = Return.objects.create(
        kit=kit, delivery=factories.a_delivery(), arrived_on=on, collected_earliest=on - timedelta(days=2),
        collected_latest=on - timedelta(days=2), name_checked=True,
    )  # fmt: skip
    make_move(back, "log", due_on=on, pool="front_desk")
    make_move(back, "accept")
    return back


def a_run(on: date) -> Run:
    """A run of that day, closed in control."""
    analyser = Analyser.objects.order_by("pk").first()
    who = cast.member(cast.LABORATORY)
    run, made = Run.objects.get_or_create(
        analyser=analyser, day=on, nth=1,
        defaults={"unit": "ng/mL", "status": "in_control", "opened_by": who, "opened_at": clock.now(), "closed_by": who,
                  "closed_at": clock.now()},
    )  # fmt: skip
    if made:
        control = ControlLot.objects.filter(analyser=analyser).first()
        for seq, position in enumerate(("start", "end"), start=1):
            ControlReading.objects.create(
                run=run, control=control, position=position, seq=seq, value=control.target, z=0, in_control=True,
                read_at=clock.now(), read_by=who,
            )  # fmt: skip
    return run


def released(back: Return, on: date, *, high: bool = False) -> Result:
    """The return's sample is measured and its result released on a day; at or above opens a referral."""
    with clock.at(clock.moment(on, 12)), acting(cast.member(cast.LABORATORY)) as frame:
        sample, round_ = back.sample, back.kit.round
        run, raw = a_run(on), Decimal(400 if high else 20)
        reading = Reading.objects.create(
            sample=sample, run=run, running_number=next(_number), raw=str(raw), value=raw, unit="ng/mL",
            analysed_on=on, read_at=frame.now,
        )  # fmt: skip
        make_move(sample, "measure", due_on=on, pool="laboratory")
        make_move(sample, "bracket", due_on=on, pool="laboratory")
        make_move(sample, "report")
        rule = CutoffRule.objects.get()
        result = Result.objects.create(
            sample=sample, round=round_, person=round_.person, reading=reading, run=run, raw_value=raw,
            raw_unit="ng/mL", kit_model=back.kit.lot.kit_model, stool_mg=12, buffer_ml=Decimal("2.4"),
            reported_ug_g=raw / 5, decimals=1, side="at_or_above" if high else "below", rule=rule,
            cutoff_ug_g=rule.cutoff_ug_g, comparison=">=", sex_used=round_.sex_at_invitation,
            age_used=round_.age_at_invitation, analysed_on=on, authorised_on=on, authorised_at=frame.now,
            authorised_by=frame.by,
        )  # fmt: skip
        if high:
            _referred(result, on)
        else:
            make_move(round_, "below", reason="below")
    return result


def _referred(result: Result, on: date) -> None:
    make_move(result.round, "at_or_above", due_on=on + timedelta(days=7), pool="coordinators")
    referral = Referral.objects.create(person=result.person, opened_on=on)
    make_move(referral, "open", due_on=on + timedelta(days=1), pool="coordinators")
    ReferralResult.objects.create(referral=referral, result=result)


def examined(result: Result, on: date, *, finding: str = "nothing") -> Examination:
    """The person of a result is examined on a day."""
    return Examination.objects.create(
        referral=result.referral_link.referral, day=on, complete=True, prep_adequate=True, finding=finding,
        report_document="R1", reported_on=on, entered_by=cast.member(cast.NURSE),
    )  # fmt: skip


def letter(result: Result, on: date, *, until: str = "hand_over", not_before: date | None = None) -> Letter:
    """The person's letter about a result, moved up to an event (`owe`, `freeze`, `print`, `hand_over`, or `hold`)."""
    high = result.side == "at_or_above"
    with clock.at(clock.moment(on, 14)), acting(factories.by_default()):
        one = Letter.objects.create(
            kind="more_tests" if high else "below", person=result.person, round=result.round, result=result,
            key=f"result:{result.pk}:person", not_before=not_before, context={}, text_version="1", checksum="0",
        )  # fmt: skip
        for event in ("owe", "hold") if until == "hold" else ("owe", "freeze", "print", "hand_over"):
            make_move(one, event, **({} if event == "hand_over" else {"due_on": on, "pool": "office"}))
            if event == until:
                break
    return one
