"""Builders of referrals for the tests of follow-up: one with its result and round, and many at once."""

from contextlib import ExitStack
from datetime import date, datetime, time, timedelta
from decimal import Decimal

from django.db import connection
from django.test import Client
from django.urls import reverse

from results.assessment_rules import QUESTIONS
from results.models import Analyser, ControlReading, CutoffRule, Reading, Referral, Result, Run, Sample
from results.services import referrals as services
from screening.models import KitModel, Person, Return
from screening.services.rounds import rounds_reported_at_or_above
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move, make_moves
from staff.ledger.registry import ledger_of
from staff.models import Site, User
from tests import cast, factories

ANSWERS = {key: question.expected for key, question in QUESTIONS.items()}
HALF_PAST_NINE = time(9, 30)


def kaddrin() -> User:
    """The coordinator."""
    return cast.member(cast.COORDINATOR)


def liora() -> User:
    """The nurse, who is coordinator and clinician."""
    return cast.member(cast.NURSE)


def emrik() -> User:
    """The clinician."""
    return cast.member(cast.CLINICIAN)


def unit() -> Site:
    """A colonoscopy unit."""
    return Site.objects.get(code="QCU")


def a_result_at_or_above(back: Return | None = None, *, value: str = "84.2") -> Result:
    """An authorised result of today at or above the cutoff, its round in follow-up and its referral open."""
    back = back or factories.a_ready_return()
    who = cast.member(cast.LAB_LEAD)
    round_ = back.kit.round
    with acting(who) as frame:
        sample = Sample.objects.create(
            return_of=back, kit=back.kit, round=round_, person=round_.person, serial=back.kit.serial,
            collected_earliest=back.collected_earliest, usable_until=frame.today + timedelta(days=9),
        )  # fmt: skip
        make_move(sample, "take_in", due_on=frame.today, pool="laboratory")
        analyser = Analyser.objects.get(code="Q1")
        run = Run.objects.create(
            analyser=analyser, day=frame.today, nth=Run.objects.count() + 1, unit="ug/g", status="in_control",
            opened_by=who, opened_at=frame.now, closed_by=who, closed_at=frame.now,
        )  # fmt: skip
        for seq, position in enumerate(["start", "end"], start=1):
            control = analyser.control_lots.first()
            ControlReading.objects.create(
                run=run, control=control, position=position, seq=seq, value=control.target, z=0, in_control=True,
                read_at=frame.now, read_by=who,
            )  # fmt: skip
        reading = Reading.objects.create(
            sample=sample, run=run, running_number=1, raw=value, value=Decimal(value), unit="ug/g",
            analysed_on=frame.today, read_at=frame.now,
        )  # fmt: skip
        model = KitModel.objects.first()
        result = Result.objects.create(
            sample=sample, round=round_, person=round_.person, reading=reading, run=run, raw_value=Decimal(value),
            raw_unit="ug/g", kit_model=model, stool_mg=model.stool_mg, buffer_ml=model.buffer_ml,
            reported_ug_g=Decimal(value), decimals=1, side="at_or_above", rule=CutoffRule.objects.first(),
            cutoff_ug_g=Decimal(20), comparison=">=", sex_used="female", age_used=62, analysed_on=frame.today,
            authorised_on=frame.today, authorised_at=frame.now, authorised_by=who,
        )  # fmt: skip
        referral = services.referral_open_for(by=who, result=result)
        rounds_reported_at_or_above(by=who, round_ids=[round_.pk], due_on=referral.due_on)
    return result


def a_referral(state: str = "to_reach", **facts: object) -> Referral:
    """A referral of today with its result, brought to a state through the services."""
    result = a_result_at_or_above(factories.a_ready_return(factories.a_round(factories.a_person(**facts))))
    referral = Referral.objects.get(calls__result=result)
    bring_to(referral, state)
    referral.refresh_from_db()
    return referral


def bring_to(referral: Referral, state: str) -> None:
    """Walk a new referral forward to a state."""
    by, way = (
        liora(),
        [
            "to_assess",
            "to_book",
            "requested",
            "booked",
            "report_due",
            "histology_due",
            "to_classify",
            "closed",
        ],
    )
    if state == "undecided":
        services.referral_undecided(by=by, referral=referral, on=clock.today() + timedelta(days=5))
    if state == "paused_until":
        services.referral_pause(
            by=by, referral=referral, until=clock.today() + timedelta(days=20), note="at sea"
        )
    if state == "elsewhere":
        services.referral_elsewhere(by=by, referral=referral, where="a clinic abroad")
    if state == "repeat_planned":
        bring_to(referral, "report_due")
        report(referral, complete=False, finding="inconclusive")
    if state not in way:
        return
    for goal in way[: way.index(state) + 1]:
        _one_step(referral, goal, by)


def _one_step(referral: Referral, goal: str, by: User) -> None:
    if goal == "to_assess":
        services.contact_attempt_record(by=by, referral=referral, outcome="spoke", wish="go_on")
    if goal == "to_book":
        assess(referral, by=by)
    if goal == "requested":
        services.examination_request(by=by, referral=referral, site=unit())
    if goal == "booked":
        services.booking_make(by=by, referral=referral, site=unit(), day=clock.today(), time=HALF_PAST_NINE)
    if goal == "report_due":
        services.booking_outcome(by=by, booking=referral.bookings.get(status="booked"), outcome="attended")
    if goal == "histology_due":
        report(referral, specimens=2, finding="non_advanced")
    if goal == "to_classify":
        services.histology_record(by=by, referral=referral, histology="Two tubular adenomas, low grade.")
    if goal == "closed":
        sign(referral, finding="non_advanced", close=True)


def assess(referral: Referral, **facts: object) -> object:
    """Assess: fit, every question answered, nothing found, unless said otherwise."""
    given = {"by": liora(), "outcome": "fit", "answers": ANSWERS, "preparation": "macrogol"} | facts
    return services.assessment_record(referral=referral, **given)


def report(referral: Referral, **facts: object) -> None:
    """Enter a report of today: complete, adequate and without abnormality unless said otherwise."""
    given = {
        "day": clock.today(), "complete": True, "prep_adequate": True, "specimens": 0, "finding": "nothing",
        "report_document": "REP-1",
    } | facts  # fmt: skip
    services.examination_record(by=liora(), referral=referral, **given)


def sign(referral: Referral, **facts: object) -> None:
    """Sign "back to screening" unless said otherwise."""
    given = {
        "by": emrik(),
        "finding": "nothing",
        "step": "screening",
        "words": "Back to screening in two years.",
    } | facts
    services.next_step_sign(referral=referral, **given)


def days_later(stack: ExitStack, days: int) -> datetime:
    """Turn the clock on by days; leave the stack to turn it back."""
    return stack.enter_context(clock.at(clock.now() + timedelta(days=days)))


def many_referrals(count: int, *, opened: date | None = None) -> None:
    """So many open referrals of as many people, with next dates spread around today; no results behind them."""
    first = Person.objects.order_by("-pk").values_list("pk", flat=True).first() or 0
    Person.objects.bulk_create(
        Person(
            family_name=f"Harrow{n}", given_names="Ilke", name_key=f"harrow{n} ilke", birth_date=date(1960, 1 + n % 12, 3),
            sex="female", area_id=None,
        )
        for n in range(count)
    )  # fmt: skip
    with acting(cast.member(cast.LAB_LEAD)), connection.cursor() as cursor:
        cursor.execute(
            "UPDATE screening_person SET area_id = a.id FROM (SELECT id, row_number() OVER (ORDER BY id) - 1 AS n"
            " FROM screening_area) a WHERE a.n = screening_person.id %% 6 AND screening_person.id > %s", [first]
        )  # fmt: skip
    today = clock.today()
    with acting(cast.member(cast.LAB_LEAD)) as frame:
        made = Referral.objects.bulk_create(
            Referral(person_id=pk, opened_on=opened or today - timedelta(days=n % 120))
            for n, pk in enumerate(Person.objects.filter(pk__gt=first).values_list("pk", flat=True))
        )
        make_moves(
            ledger_of(Referral), "open", source="SELECT id FROM results_referral WHERE state = ''",
            params={"today": today},
            values={"due_on": "%(today)s::date - 20 + (w.id %% 41)::int", "pool": "'coordinators'", "rule": "'opened'"},
        )  # fmt: skip
        with connection.cursor() as cursor:
            cursor.execute(
                "INSERT INTO results_contactattempt (referral_id, channel, outcome, note, made_at, made_on, made_by_id)"
                " SELECT r.id, 'phone', 'no_answer', '', %s, %s, %s FROM results_referral r WHERE r.id = ANY(%s) AND r.id %% 2 = 0",
                [frame.now, today, cast.member(cast.COORDINATOR).pk, [one.pk for one in made]],
            )


def do(client: Client, referral: Referral, slug: str, **typed: object) -> object:
    """Send the form of an act, as the page would."""
    data = {f"{slug}-{name}": value for name, value in typed.items()}
    data.setdefault(f"{slug}-seen", Referral.objects.get(pk=referral.pk).last_seq)
    return client.post(reverse("results:referral-do", args=[referral.pk, slug]), data)
