"""Invitations and the post in a rehearsal: kits go out, come back, and the imperfect ones are solved."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, timedelta

from django.db import connection

from oversight.rehearsal.crew import Stage
from oversight.rehearsal.mail_work import invitations_out, packed_by_contractor
from oversight.rehearsal.population import postal_day
from oversight.rehearsal.stories.desk import answer_to, arrival_told, day_keyed, sent_seen
from screening.models import Batch, Delivery, Kit, Return
from screening.services.batches import (
    batch_dispatch,
    batch_open,
    batch_release,
    kit_undelivered,
    replacements_send,
)
from screening.services.intake import delivery_record, delivery_settle, return_solve, returns_log_many
from screening.services.intake_lists import note_read, notes_unread
from screening.services.intake_solve import Answer
from screening.services.register import register_apply, register_stage
from staff.acting import acting
from staff.models import Site

NORTH = {"NOR", "DUN", "ULV"}
CONDITION = {
    "no_name": "no_name", "other_name": "other_name", "leaking": "leaking", "over_full": "over_full", "empty": "empty",
    "note": "note_enclosed",
}  # fmt: skip


@dataclass
class Post:
    """What is on its way: serials by the day they arrive, and envelopes that could not be delivered."""

    arriving: dict[date, list[str]] = field(default_factory=lambda: defaultdict(list))
    undelivered: dict[date, list[str]] = field(default_factory=lambda: defaultdict(list))
    collected: dict[str, date] = field(default_factory=dict)
    problem: dict[str, str] = field(default_factory=dict)
    north: dict[str, bool] = field(default_factory=dict)
    replacements: set[str] = field(default_factory=set)


def newcomers_loaded(stage: Stage, week_start: date) -> None:
    """The Monday feed: people who are new to the region's register and fall due this week."""
    plan = stage.plan
    week = {week_start + timedelta(days=n) for n in range(7)}
    rows = [row for row in range(plan.invited) if plan.people.first[row] and plan.due_days[row] in week]
    if rows:
        load = register_stage(
            by=stage.crew.administrator,
            content=plan.register_file(rows),
            file_name=f"feed-{week_start.isoformat()}.csv",
        )
        if load.status == "held":
            register_apply(by=stage.crew.manager, load=load, override_hold=True)
        else:
            register_apply(by=stage.crew.administrator, load=load)


BOUND = """
SELECT k.serial, i.value, r.person_id, a.code
FROM screening_kit k JOIN screening_round r ON r.id = k.round_id JOIN screening_person p ON p.id = r.person_id
JOIN screening_personidentifier i ON i.person_id = p.id AND i.scheme = 'register' AND i.valid_to IS NULL
LEFT JOIN screening_area a ON a.id = p.area_id
"""
OF_BATCH = (
    BOUND
    + """JOIN screening_batch b ON b.id = r.batch_id
WHERE b.dispatched_on = %(day)s AND k.ordinal = 1 AND k.dispatched_on = %(day)s"""
)
REPLACED = BOUND + "WHERE k.ordinal > 1 AND k.dispatched_on = %(day)s"


NIGHTLY_FILE = "the rehearsal writes one register file at its beginning"
"""Why the rehearsal's batches are released although no file came since."""


def invited(stage: Stage, day: date) -> Batch | None:
    """Open today's batch, print its letters, and hand kits and letters to the post, all in one transaction."""
    size = stage.plan.size_on(day)
    if not size:
        return None
    with acting(stage.crew.office, reason="today's batch"):
        batch = batch_open(by=stage.crew.office, size=size)
        batch_release(by=stage.crew.manager, batch=batch, stale_note=NIGHTLY_FILE)
        invitations_out(stage, batch)
        packed_by_contractor(stage.crew.office, batch, day)
        batch_dispatch(by=stage.crew.office, batch=batch)
    return batch


def sent_noted(stage: Stage, post: Post, day: date) -> None:
    """Note whose kits went out today, and draw what comes back when."""
    with connection.cursor() as cursor:
        cursor.execute(OF_BATCH, {"day": day})
        rows = cursor.fetchall()
    for serial, number, _person, area in rows:
        row = stage.plan.row_of_number.get(number)
        if row is not None:
            stage.row_of_serial[serial] = row
            stage.tally("invited", 1)
            sent_seen(stage, row, day)
            _course(stage, post, serial, row, day, area)


def _course(stage: Stage, post: Post, serial: str, row: int, sent: date, area: str) -> None:
    course = stage.plan.course
    if course.undelivered[row]:
        post.undelivered[postal_day(sent + timedelta(days=9))].append(serial)
    elif course.returns[row]:
        arrival = postal_day(sent + timedelta(days=int(course.arrival_days[row])))
        arrival = arrival_told(stage, row, sent, arrival)
        _on_its_way(post, serial, arrival, arrival - timedelta(days=int(course.collected_before[row])), sent)
        post.problem[serial] = str(course.problem[row])
    post.north[serial] = area in NORTH


def _on_its_way(post: Post, serial: str, arrival: date, collected: date, sent: date) -> None:
    post.arriving[arrival].append(serial)
    post.collected[serial] = max(collected, sent)


def sack_logged(stage: Stage, post: Post, day: date) -> None:
    """Log today's post at both desks; what could not be delivered is recorded too."""
    serials = post.arriving.pop(day, [])
    for code, is_north in (("QHC", False), ("NMC", True)):
        mine = [serial for serial in serials if post.north[serial] is is_north]
        if not mine:
            continue
        site = Site.objects.get(code=code)
        delivery = delivery_record(
            by=stage.crew.front_desk, site=site, arrived_on=day, label="Morning post", hand_count=len(mine)
        )
        logged = returns_log_many(
            by=stage.crew.front_desk, delivery=delivery, rows=[_as_scanned(stage, post, s) for s in mine]
        )
        _counted_and_closed(stage, delivery)
        again = sum(serial in post.replacements for serial in mine)
        stage.tally("kits back", logged.logged - again)
        stage.tally("replacements back", again)
    for kit in Kit.objects.filter(serial__in=post.undelivered.pop(day, []), state="dispatched"):
        kit_undelivered(by=stage.crew.office, kit=kit)
        stage.tally("undelivered", 1)


def _counted_and_closed(stage: Stage, delivery: Delivery) -> None:
    """Somebody who did not log it closes the delivery, with the reason where count and log differ."""
    delivery_settle(
        by=stage.crew.office,
        delivery=delivery,
        reason="Kits of nobody here and kits sent twice are in the count.",
    )


def _as_scanned(stage: Stage, post: Post, serial: str) -> tuple[str, str, str]:
    problem = post.problem.get(serial, "")
    keyed = {"no_date": ".", "future_date": "RB-FUTURE"}.get(problem, str(post.collected[serial].day))
    keyed = day_keyed(stage, serial) or keyed
    return serial, "." if keyed == "RB-FUTURE" else keyed, CONDITION.get(problem, "")


def set_asides_solved(stage: Stage, post: Post, day: date) -> None:
    """The phone desk rings about what is due: half can tell, the others get a new kit."""
    for aside in (
        Return.objects.filter(state="set_aside", due_on__lte=day).select_related("kit").order_by("pk")[:200]
    ):
        story = answer_to(stage, aside, post.collected.get(aside.kit.serial))
        told = stage.rng.random() < 0.55
        if story is not None:
            if story:
                return_solve(by=stage.crew.office, return_=aside, **story)
        elif told and (collected := post.collected.get(aside.kit.serial)):
            return_solve(
                by=stage.crew.office, return_=aside, answer=Answer.DAY_TOLD, day=collected.isoformat()
            )
        else:
            return_solve(by=stage.crew.office, return_=aside, answer=Answer.UNSUITABLE)
        stage.tally("set asides solved", 1)


def notes_dealt_with(stage: Stage, day: date) -> None:
    """The phone desk reads every note that came with an earlier day's kits; the newest wait for tomorrow."""
    for back in notes_unread().filter(arrived_on__lt=day)[:200]:
        note_read(by=stage.crew.office, return_id=back.pk)
        stage.tally("notes read", 1)


def replacements_sent(stage: Stage, post: Post, day: date) -> None:
    """Send a new kit to everybody whose sample could not be used, and draw whether it comes back."""
    if not replacements_send(by=stage.crew.office):
        return
    with connection.cursor() as cursor:
        cursor.execute(REPLACED, {"day": day})
        rows = cursor.fetchall()
    course = stage.plan.course
    for serial, number, _person, area in rows:
        row = stage.plan.row_of_number.get(number)
        if row is None or serial in stage.row_of_serial:
            continue
        stage.row_of_serial[serial] = row
        post.north[serial] = area in NORTH
        post.replacements.add(serial)
        stage.tally("replacements", 1)
        if course.replacement_returns[row]:
            arrival = postal_day(day + timedelta(days=int(course.replacement_days[row])))
            _on_its_way(post, serial, arrival, arrival - timedelta(days=2), day)
