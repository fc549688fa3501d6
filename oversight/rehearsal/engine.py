"""Plays a synthetic programme day by day through the real services, from the first invitation to today."""

from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from functools import partial

import numpy as np

from oversight.models import Rehearsal
from oversight.rehearsal.access_work import day_of_access
from oversight.rehearsal.crew import Stage, crew_called
from oversight.rehearsal.desks import Desk, SideBySide, Tell, commits_hurried
from oversight.rehearsal.follow_work import Follow, day_of_follow_up
from oversight.rehearsal.history import history_lay_in
from oversight.rehearsal.lab_work import day_in_the_laboratory, rest_decided
from oversight.rehearsal.mail_work import mail_out
from oversight.rehearsal.names import postcode_fifths
from oversight.rehearsal.plan import Plan, plan_drawn
from oversight.rehearsal.post_work import (
    Post,
    invited,
    newcomers_loaded,
    notes_dealt_with,
    replacements_sent,
    sack_logged,
    sent_noted,
    set_asides_solved,
)
from oversight.rehearsal.setting import region_lay_down, wishes_lay_down
from oversight.rehearsal.stories.casting import plan_told
from oversight.rehearsal.stories.desk import acts_after_release, acts_due
from oversight.rehearsal.stories.lab_days import old_control_laid_down
from oversight.rehearsal.told_work import figures_told
from oversight.services.coverage import coverage_count
from oversight.services.papers import papers_make
from oversight.services.proofs import prove
from oversight.services.rollup import counted_first, fold_all, rebuild
from oversight.services.seal import seal_night
from screening.models import Lot, PostcodeFifth
from screening.services.batches import kits_stock
from screening.services.due import due_dates_refresh
from screening.services.register import register_apply, register_stage
from screening.services.rounds import rounds_close_unreturned
from staff import clock
from staff.acting import remembering

HOURS = {"dispatch": (8, 0), "post": (9, 0), "open": (10, 0), "load": (11, 30), "close": (12, 0), "release": (13, 0), "stories": (13, 30), "mail": (14, 0), "follow": (15, 0), "night": (21, 0)}  # fmt: skip


FIVE_DAYS, MONTH = 5, timedelta(days=30)


def first_day_for(today: date) -> date:
    """The Monday 28 weeks before this week, so that today is in week 29 and the youngest invitees are immature."""
    return today - timedelta(days=today.weekday() + 28 * 7)


def hours_of(day: date) -> dict[str, datetime]:
    """The moments of a working day."""
    return {name: clock.moment(day, hour, minute) for name, (hour, minute) in HOURS.items()}


def rehearse(
    *,
    invited_people: int,
    seed: int,
    today: date,
    tell: Tell,
    until: date | None = None,
    complete: bool = False,
) -> Rehearsal:
    """Lay the region down and play it until today's evening, or another day's (`until`), or, with `complete`, until the
    last follow-up is over.

    Works on an empty database only. The `Rehearsal` row says `running` until the end, so a killed run is noticed.
    """
    commits_hurried()
    first_day = first_day_for(today)
    last_day = first_day + timedelta(weeks=62) if complete else until or today
    days = [first_day + timedelta(days=n) for n in range((last_day - first_day).days + 1)]
    desks = (
        Desk("invitations", after="", play=_invitations),
        Desk("bench", after="invitations", play=_post_and_bench, not_ahead_of="follow-up"),
        Desk("follow-up", after="bench", play=_follow_up),
    )
    with SideBySide(desks) as together:
        with clock.at(clock.moment(first_day - timedelta(days=14), 7)):
            mark = Rehearsal.objects.create(
                status=Rehearsal.Status.RUNNING,
                invited=invited_people,
                seed=seed,
                first_day=first_day,
                today=last_day,
            )
            stage = _prologue(first_day, invited_people, seed, tell)
            stage.last_day = None if complete else last_day
        worked = [day for day in days if day.weekday() < FIVE_DAYS]
        close = partial(_night, stage)
        for counts in together.play(
            worked, stage=stage, tell=tell, nights=nights_of(worked, last_day), close=close
        ):
            for name, count in counts.items():
                stage.tally(name, count)
    with clock.at(hours_of(last_day)["post"]):
        figures_told(stage, first_day, last_day)
    _night(stage, last_day, papers=True)
    Rehearsal.objects.filter(pk=mark.pk).update(
        status=Rehearsal.Status.DONE,
        reached=last_day,
        summary=stage.counts | {"stories": stage.cast.numbers(stage.plan)},
    )
    mark.refresh_from_db()
    return mark


def nights_of(worked: Sequence[date], last_day: date) -> frozenset[date]:
    """The evenings before the last that are closed as every night is in use, by counting, sealing and proving: one a month
    ago, so that it can be looked up, and the one before the last, so that the ledgers have a yesterday."""
    month_ago = [day for day in worked if day <= last_day - MONTH][-1:]
    return frozenset({*month_ago, *worked[-2:-1]} - {last_day})


def _night(stage: Stage, day: date, *, papers: bool = False) -> None:
    with clock.at(hours_of(day)["night"]):
        if (
            not counted_first()
        ):  # else the worker would count everything anew, and no earlier night's figures would be known
            rebuild()
        fold_all()
        coverage_count()
        seal_night(by=stage.crew.system, day=day)
        prove(by=stage.crew.system)
        if papers:
            papers_make(by=stage.crew.system, day=day)


def _prologue(first_day: date, invited_people: int, seed: int, tell: Tell) -> Stage:
    tell("drawing the people of the region", 0.0)
    plan, cast = plan_told(plan_drawn(first_day=first_day, invited=invited_people, seed=seed))
    region = region_lay_down(first_day=first_day, second_person_releases=True)
    stage = Stage(
        plan=plan, crew=crew_called(), region=region, rng=np.random.default_rng(seed + 1), cast=cast
    )
    if cast.rows:
        old_control_laid_down(stage)
    PostcodeFifth.objects.bulk_create(
        PostcodeFifth(postcode=code, fifth=fifth) for code, fifth in postcode_fifths()
    )
    known = [row for row in range(len(plan.numbers)) if row >= invited_people or not plan.people.first[row]]
    tell(f"loading {len(known):,} people into the register", 0.03)
    load = register_stage(
        by=stage.crew.administrator,
        content=plan.register_file(known),
        file_name="register-full.csv",
        is_full=True,
    )
    register_apply(by=stage.crew.administrator, load=load, history_follows=True)
    wishes_lay_down(by=stage.crew.office)
    tell("laying in the history of earlier rounds", 0.12)
    history_lay_in(plan, known, by=stage.crew.administrator, protocol=region.protocol)
    due_dates_refresh(by=stage.crew.administrator)
    tell("putting kits in stock", 0.18)
    _stock(stage, plan)
    return stage


def _stock(stage: Stage, plan: Plan) -> None:
    need = round(plan.invited * 1.1) + 200
    lots = list(Lot.objects.order_by("expires_on"))
    for n, lot in enumerate(lots):
        kits_stock(
            by=stage.crew.administrator, lot=lot, first_number=1 + n * need, count=need // len(lots) + 1
        )


def _invitations(stage: Stage) -> Callable[[date], None]:
    def play(day: date) -> None:
        with clock.at(hours_of(day)["dispatch"]):
            if day.weekday() == 0:
                newcomers_loaded(stage, day)
            invited(stage, day)
        with clock.at(hours_of(day)["stories"]):
            day_of_access(stage, day)

    return play


def _post_and_bench(stage: Stage) -> Callable[[date], None]:
    post = Post()

    def play(day: date) -> None:
        with remembering():
            _bench_day(stage, post, day)

    return play


def _bench_day(stage: Stage, post: Post, day: date) -> None:
    hours = hours_of(day)
    sent_noted(stage, post, day)
    with clock.at(hours["post"]):
        sack_logged(stage, post, day)
        set_asides_solved(stage, post, day)
        notes_dealt_with(stage, day)
        acts_due(stage, day)
    with clock.at(hours["open"]):
        day_in_the_laboratory(stage, day, hours)
    with clock.at(hours["stories"]):
        acts_after_release(stage, day)
    with clock.at(hours["mail"]):
        replacements_sent(stage, post, day)
        mail_out(stage)
    with clock.at(hours["night"]):
        rounds_close_unreturned(by=stage.crew.system)


def _follow_up(stage: Stage) -> Callable[[date], None]:
    follow = Follow()

    def play(day: date) -> None:
        hours = hours_of(day)
        with remembering():
            with clock.at(hours["release"]):
                rest_decided(stage, day)
            with clock.at(hours["follow"]):
                day_of_follow_up(stage, follow, day)

    return play
