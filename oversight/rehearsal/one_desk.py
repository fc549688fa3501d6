"""The second, small demo: a clinic of one desk (R15), thirty kits a day, one account with three roles and few others.

What is off: trays, the long delivery form, release of each batch by a second person. What stays on: scan before opening, the
name compared, ACKNOWLEDGE, stop checks, page tokens, letter and kit proven together; and R14: what needs two people needs two
accounts, however many roles one of them holds.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

import numpy as np
from django.contrib.auth.hashers import make_password
from django.db.backends.postgresql.psycopg_any import DateRange, NumericRange

from outreach.models import OutreachPolicy
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make
from oversight.models import Rehearsal
from oversight.rehearsal.engine import hours_of
from oversight.rehearsal.mail_work import packed_by_contractor
from oversight.rehearsal.population import people_drawn
from oversight.rehearsal.register_file import register_columns, register_file_written
from oversight.rehearsal.setting import DEMO_PASSWORD
from results.models import Analyser, ControlLot, CutoffRule, ResultsPolicy, TravelTime, Unit
from results.services.samples import samples_take_in
from screening.models import Area, Kit, KitModel, Lot, Practice, Protocol, ScreeningPolicy
from screening.services.batches import batch_dispatch, batch_open, kits_stock
from screening.services.due import due_dates_refresh
from screening.services.intake import delivery_record, returns_log_many
from screening.services.register import register_apply, register_stage
from staff import clock
from staff.acting import acting
from staff.models import Posting, Site, User
from staff.roles import Role

PEOPLE = 400
FIRST_NUMBER = 300_000_000
A_BATCH = 12
SENT_DAYS_AGO = (16, 14, 11, 9)
ON_THE_BENCH = 8
IN_THE_POST = 20
SALTROW = 3

ALONE, SECOND = "orsa", "tamrin"
STAFF = (
    (ALONE, "Orsa Velmondre", (Role.FRONT_DESK, Role.PHONE_DESK, Role.LABORATORY)),
    (SECOND, "Dr Tamrin Eskovar", (Role.CLINICIAN, Role.COORDINATOR, Role.LABORATORY)),
    ("dorvan", "Dorvan Hallimane", (Role.MANAGER, Role.ADMINISTRATOR)),
)


@dataclass(frozen=True)
class Clinic:
    """Handles on what was laid down: the one who works alone, and the serials that come with today's post."""

    alone: User
    post: list[str]


def clinic_lay_down(*, first_day: date, password: str = DEMO_PASSWORD) -> None:
    """The clinic's reference data, in force long before `first_day`. Call once, on an empty database."""
    with acting(User.objects.system(), reason="one-desk demo"):
        area = Area.objects.create(code="SAL", name="Saltrow")
        Site.objects.create(code="SCL", name="Saltrow Clinic", receives_kits=True, is_laboratory=True)
        unit = Site.objects.create(code="QCU", name="Quillport Unit", does_colonoscopy=True)
        TravelTime.objects.create(area=area, site=unit, minutes=45)
        Practice.objects.create(code="P04", name="Saltrow practice", address="4 Harbour Row\nSaltrow")
        secret = make_password(password)
        for username, name, roles in STAFF:
            user = User.objects.create(
                username=username, full_name=name, email=f"{username}@example.org", password=secret
            )
            Posting.objects.bulk_create(Posting(user=user, role=role) for role in roles)
        _policy(first_day)


def _policy(first_day: date) -> None:
    start = first_day - timedelta(days=3 * 366)
    dorvan, tamrin, orsa = (User.objects.get(username=name) for name in ("dorvan", SECOND, ALONE))
    protocol = Protocol.objects.create(
        name="One-desk protocol", valid_from=start, proposed_by=dorvan, approved_by=tamrin, carries_screening=True
    )  # fmt: skip
    ScreeningPolicy.objects.create(protocol=protocol, one_desk=True, second_person_releases=False)
    ResultsPolicy.objects.create(protocol=protocol, letter_hold_minutes=0)
    OutreachPolicy.objects.create(protocol=protocol, no_landing_weekdays=[4, 5])
    CutoffRule.objects.create(
        protocol=protocol, sex_key=NumericRange(1, 3), ages=NumericRange(0, 130), valid=DateRange(start, None),
        cutoff_ug_g=Decimal(20), proposed_by=dorvan, approved_by=tamrin,
    )  # fmt: skip
    model = KitModel.objects.create(
        name="Tarn 12", stool_mg=Decimal(12), buffer_ml=Decimal("2.4"), lod_ug_g=Decimal(2), loq_ug_g=Decimal(4),
        upper_ug_g=Decimal(200), valid_from=start,
    )  # fmt: skip
    Lot.objects.create(
        code="KL001", kit_model=model, expires_on=first_day + timedelta(days=500), received_on=first_day
    )
    analyser = Analyser.objects.create(code="S1", site=Site.objects.get(code="SCL"), name="Saltrow analyser")
    for level, target, sd in ((1, Decimal(90), Decimal("5.5")), (2, Decimal(480), Decimal("22.5"))):
        ControlLot.objects.create(
            analyser=analyser, material="Control", level=level, lot=f"CL{level}01", unit=Unit.NG_ML, target=target, sd=sd,
            opened_on=first_day - timedelta(days=14), expires_on=first_day + timedelta(days=540), entered_by=orsa,
            confirmed_by=tamrin,
        )  # fmt: skip


def one_desk_rehearse(*, seed: int, today: date) -> tuple[Rehearsal, Clinic]:
    """Lay the clinic down with four small batches sent, eight kits on the bench since yesterday, and twenty in today's post."""
    first_day = today - timedelta(days=28)
    with clock.at(clock.moment(first_day, 7)):
        mark = Rehearsal.objects.create(
            status=Rehearsal.Status.RUNNING, invited=A_BATCH * len(SENT_DAYS_AGO), seed=seed, first_day=first_day, today=today
        )  # fmt: skip
        clinic_lay_down(first_day=first_day)
        alone = User.objects.get(username=ALONE)
        _register_loaded(alone, seed, first_day)
        kits_stock(by=alone, lot=Lot.objects.get(), first_number=1, count=200)
    for days in SENT_DAYS_AGO:
        with clock.at(hours_of(_worked(today - timedelta(days=days)))["dispatch"]):
            _sent(alone)
    serials = list(Kit.objects.filter(state="dispatched").order_by("serial").values_list("serial", flat=True))
    yesterday = _worked(today - timedelta(days=1))
    with clock.at(hours_of(yesterday)["post"]):
        _back(alone, serials[:ON_THE_BENCH], yesterday)
    clinic = Clinic(alone, serials[ON_THE_BENCH : ON_THE_BENCH + IN_THE_POST])
    Rehearsal.objects.filter(pk=mark.pk).update(
        status=Rehearsal.Status.DONE,
        reached=today,
        summary={"one_desk": True, "post": clinic.post, "stories": {}},
    )
    mark.refresh_from_db()
    return mark, clinic


def _worked(day: date) -> date:
    """The day, or the Friday before a weekend."""
    return day - timedelta(days=max(day.weekday() - 4, 0))


def _register_loaded(by: User, seed: int, on: date) -> None:
    rng = np.random.default_rng(seed)
    people = people_drawn(rng, PEOPLE)
    people.area[:] = SALTROW
    columns = register_columns(rng, people, on=on, first_number=FIRST_NUMBER)
    columns["practice_code"] = ["P04"] * PEOPLE
    load = register_stage(
        by=by, content=register_file_written(columns), file_name="register-full.csv", is_full=True
    )
    register_apply(by=by, load=load)
    due_dates_refresh(by=by)


def _sent(by: User) -> None:
    batch = batch_open(by=by, size=A_BATCH)
    letters_plan(by=by, batch_id=batch.pk)
    letters_freeze(by=by, kind="invitation")
    run = print_run_make(by=by, kind="invitation")
    print_run_hand_over(by=by, print_run=run, without_document=True)
    packed_by_contractor(by, batch, clock.today())
    batch_dispatch(by=by, batch=batch)


def _back(by: User, serials: list[str], day: date) -> None:
    delivery = delivery_record(by=by, site=Site.objects.get(code="SCL"), arrived_on=day)
    collected = (day - timedelta(days=2)).isoformat()
    returns_log_many(by=by, delivery=delivery, rows=[(serial, collected, "") for serial in serials])
    samples_take_in(by=by)
