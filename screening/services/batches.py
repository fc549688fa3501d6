"""Kits into stock, invitation batches opened and handed to the post, replacements, and kits that never arrived."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db import connection
from django.db.models import Count, Exists, OuterRef, QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from psycopg.errors import UniqueViolation

from screening.models import Area, Batch, Kit, Lot, Person, Round, ScreeningPolicy
from screening.serials import serial_make
from screening.services import batches_sql as sql
from screening.services.locks import kits_lock
from screening.services.pace import PaceLeft, pace_left
from screening.services.packing import pairs_checked
from screening.services.pauses import invitations_checked
from screening.services.policies import policy_on
from screening.services.register_proof import register_freshness
from screening.services.stopping import rounds_stop
from staff import clock
from staff.acting import Acting, acting
from staff.errors import IllegalMove, NotAllowed, NotFound, RoundbookError
from staff.ledger.moves import make_move, make_moves
from staff.ledger.registry import ledger_of
from staff.models import Site, User
from staff.roles import Pool
from staff.services.calendars import next_post_day, post_leaves

_NUMBERING = 726_102  # advisory lock: batches of a day are numbered one after the other
CALL_AGAIN_DAYS = 7
LARGEST_BATCH = 100_000


@dataclass(frozen=True)
class LotStock:
    """Kits of one lot that are in stock, and whether they may still be sent."""

    lot_id: int
    code: str
    model: str
    expires_on: date
    quarantined: bool
    in_stock: int
    usable: bool


@dataclass(frozen=True)
class BatchCounts:
    """What became of a batch's people so far."""

    people: int = 0
    sent: int = 0
    waiting: int = 0
    left_out: int = 0
    back: int = 0


def kits_stock(*, by: User, lot: Lot, first_number: int, count: int) -> int:
    """Take kits with consecutive serial numbers into stock; returns how many."""
    if count < 1:
        raise RoundbookError("count_wrong", _("Say how many kits came: one or more."))
    try:
        with acting(by):
            serials = [serial_make(n) for n in range(first_number, first_number + count)]
            into = "COPY screening_kit (serial, lot_id, void_reason) FROM STDIN"
            with connection.cursor() as cursor, cursor.copy(into) as copy:
                for serial in serials:
                    copy.write_row((serial, lot.pk, ""))
            return make_moves(
                ledger_of(Kit),
                "stock",
                source="SELECT id FROM screening_kit WHERE serial = ANY(%(serials)s)",
                params={"serials": serials},
            )
    except ValueError as error:
        raise RoundbookError("serials_out_of_range", _("Kit numbers run from 1 to 999,999,999.")) from error
    except UniqueViolation as error:
        raise RoundbookError(
            "serials_known",
            _("Some of these serials are in the book already. Compare the numbers on the box."),
        ) from error


def stock_by_lot(*, on: date) -> list[LotStock]:
    """The kits in stock, lot by lot, the first to expire first."""
    with connection.cursor() as cursor:
        cursor.execute(sql.STOCK, {"kit_life": _kit_life(policy_on(on), on)})
        return [LotStock(*row) for row in cursor.fetchall()]


def _kit_life(policy: ScreeningPolicy, today: date) -> date:
    return today + timedelta(days=policy.kit_minimum_life_days)


def batch_open(*, by: User, size: int, area: Area | None = None) -> Batch:
    """Open a batch: the longest overdue people who are due, each paired with a kit, in one statement.

    RoundbookError `nobody_due`, or `kits_too_few` with how many are missing; then nothing is done.
    """
    if not 1 <= size <= LARGEST_BATCH:
        raise RoundbookError("size_wrong", _("A batch has 1 to %(most)s people.") % {"most": LARGEST_BATCH})
    with acting(by, reason="invitation batch") as frame:
        policy = policy_on(frame.today)
        paused = invitations_checked(frame.today)
        number = _next_number(
            frame
        )  # under the lock of the numbering, so that two batches never share what a pace leaves
        left = _pace_checked(pace_left(frame.today), area)
        batch = Batch.objects.create(
            number=number, opened_on=frame.today, opened_by=by, opened_at=frame.now,
            protocol_id=policy.protocol_id, asked_for=size,
        )  # fmt: skip
        people = _paired(
            sql.OPEN_BATCH_PACED if left.areas else sql.OPEN_BATCH,
            {
                "today": frame.today, "size": size if left.whole is None else min(size, left.whole),
                "area": area.pk if area else None, "batch": batch.pk, "paused": paused,
                "protocol": policy.protocol_id, "age_to": policy.age_to, "grace": policy.grace_days,
                "kit_life": _kit_life(policy, frame.today), "areas": list(left.areas), "left": list(left.areas.values()),
            },
        )  # fmt: skip
        if not people:
            raise RoundbookError("nobody_due", _("Nobody is due today, so there is nobody to invite."))
        batch.size = people
        batch.save(update_fields=["size"])
    return batch


def _pace_checked(left: PaceLeft, area: Area | None) -> PaceLeft:
    """What the pace leaves; RoundbookError when it leaves nothing of what is asked for."""
    if left.whole == 0 or (area is not None and left.areas.get(area.pk) == 0):
        raise RoundbookError(
            "pace_used_up", _("Today's pace is used up. Invite on the next working day, or set another pace.")
        )
    return left


def _next_number(frame: Acting) -> str:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_NUMBERING])
    nth = Batch.objects.filter(opened_on=frame.today).count() + 1
    return f"{frame.today:%y%m%d}-{nth}"


def _paired(statement: str, params: dict[str, Any]) -> int:
    """Run a statement that pairs whoever is wanted with kits; refuse when there are too few kits."""
    with connection.cursor() as cursor:
        cursor.execute(statement, params)
        wanted, kits = cursor.fetchone()
    if kits < wanted:
        missing = wanted - kits
        raise RoundbookError(
            "kits_too_few",
            ngettext(
                "%(missing)s kit is missing: %(wanted)s are needed and %(kits)s can be used today. "
                "Take kits into stock, or ask for fewer people. Nothing was done.",
                "%(missing)s kits are missing: %(wanted)s are needed and %(kits)s can be used today. "
                "Take kits into stock, or ask for fewer people. Nothing was done.",
                missing,
            )
            % {"missing": missing, "wanted": wanted, "kits": kits},
            missing=missing,
        )
    return int(wanted)


def batch_dispatch(*, by: User, batch: Batch, posted_from: Site | None = None) -> int:
    """Hand a batch to the post: its kits are sent, its rounds wait for their return. Returns how many were sent.

    Where the protocol asks for it, every kit was proven to lie with its letter and packs were opened to check; where the
    site is named, only on a day on which post leaves it. What a contractor posted counts from the day it says. People who died, opted out, left, or were excluded since are left out with that reason, their kits voided;
    kits of a lot quarantined since are voided and their people wait for another. A second time does nothing. IllegalMove
    `no_kit_to_post` where its people wait for other kits; where nobody is left at all, it stays as it is: nothing was posted.
    """
    with acting(by, reason=f"dispatch of batch {batch.number}") as frame:
        batch = Batch.objects.select_for_update().get(pk=batch.pk)
        if batch.dispatched_on is not None:
            return 0
        policy = policy_on(frame.today)
        if policy.second_person_releases and batch.released_by_id is None:
            raise IllegalMove(
                "not_released", _("A second person has to release this batch before it is posted.")
            )
        _post_leaves(posted_from, frame)
        waiting = list(Round.objects.filter(batch=batch, state="kit_due").values_list("pk", flat=True))
        if waiting and not _kits_to_post().filter(round__in=waiting).exists():
            raise IllegalMove(
                "no_kit_to_post",
                _(
                    "No kit of this batch is left to post; its people wait for other kits. Send replacement kits from the page “Invite”. Nothing was handed over."
                ),
            )
        _stopped_since(by, waiting, frame)
        quarantined = Kit.objects.filter(
            round__in=waiting, state="assigned", void_on=None, lot__quarantined=True
        )
        quarantined.update(void_on=frame.today, void_reason="lot_quarantined")
        if policy.pairs_proven:
            pairs_checked(batch, frame)
        with connection.cursor() as cursor:
            facts: dict[str, Any] = {"batch": batch.pk, "today": frame.today, "closing": policy.closing_days}
            cursor.execute(sql.DISPATCH_BATCH, facts)
            sent = int(cursor.fetchone()[0])
        if not sent:
            return 0
        batch.dispatched_on, batch.dispatched_by, batch.posted_from = frame.today, by, posted_from
        batch.save(update_fields=["dispatched_on", "dispatched_by", "posted_from"])
    return sent


def _post_leaves(site: Site | None, frame: Acting) -> None:
    if site is not None and not post_leaves(frame.today, site):
        words = _("No post leaves %(site)s today; the next day is %(day)s. Nothing was handed over.")
        day = f"{next_post_day(frame.today, site):%-d %B %Y}"
        raise RoundbookError("no_post_today", words % {"site": site.name, "day": day})


@dataclass(frozen=True, slots=True)
class Unfit:
    """One person of a batch who may not be sent a kit as things stand, and why."""

    round_id: int
    person_id: int
    name: str
    reason: str


def batch_preflight(batch: Batch) -> list[Unfit]:
    """Who of a batch would be left out today, one by one; everybody else may go."""
    waiting = list(Round.objects.filter(batch=batch, state="kit_due").values_list("pk", flat=True))
    with connection.cursor() as cursor:
        cursor.execute(sql.PREFLIGHT, {"today": clock.today(), "rounds": waiting})
        return [Unfit(*row) for row in cursor.fetchall()]


def batch_people(batch: Batch, *, limit: int) -> list[tuple[Person, str]]:
    """Some people of a batch, spread evenly over it, each with the serial of her kit, to look at before it goes.

    Only those who would be sent their kit today: nobody whose round is closed, whose kit is void, or who would be left out.
    """
    left_out = [one.round_id for one in batch_preflight(batch)]
    here = _kits_to_post().filter(round__batch=batch).exclude(round__in=left_out).order_by("round_id")
    ids = list(here.values_list("pk", flat=True)[:LARGEST_BATCH])
    chosen = ids[:: max(len(ids) // limit, 1)][:limit]
    rows = Kit.objects.filter(pk__in=chosen).select_related("round__person__area").order_by("round_id")
    return [(kit.round.person, kit.serial) for kit in rows if kit.round is not None]


def batches_to_post() -> QuerySet[Batch]:
    """Batches not posted yet of which a kit is left to post."""
    here = _kits_to_post().filter(round__batch=OuterRef("pk"))
    return Batch.objects.filter(Exists(here), dispatched_on__isnull=True)


def _kits_to_post() -> QuerySet[Kit]:
    """Kits that lie ready for a round that waits to be sent one."""
    return Kit.objects.filter(round__state="kit_due", state="assigned", void_on=None)


def batch_release(*, by: User, batch: Batch, stale_note: str = "") -> int:
    """A second person releases a batch; whoever may not be sent a kit as things stand is left out, one by one.

    From a register without a file for more days than the protocol allows only with `stale_note`, kept with the name.
    Returns how many were left out. A second time does nothing.
    """
    with acting(by, reason=f"release of batch {batch.number}") as frame:
        batch = Batch.objects.select_for_update().get(pk=batch.pk)
        if batch.released_by_id is not None or batch.dispatched_on is not None:
            return 0
        if batch.opened_by_id == by.pk:
            raise NotAllowed("second_person", _("Somebody else than the one who opened it must release it."))
        fresh = register_freshness(frame.today)
        if fresh.too_old and not stale_note.strip():
            words = _("No register file came for %(days)s days, so the dead and the moved may be among them. Say why it is released all the same.")  # fmt: skip
            raise RoundbookError("register_stale", words % {"days": fresh.days}, days=fresh.days)
        waiting = list(Round.objects.filter(batch=batch, state="kit_due").values_list("pk", flat=True))
        left_out = _stopped_since(by, waiting, frame)
        batch.released_by, batch.released_at = by, frame.now
        batch.release_note = stale_note.strip()[:200] if fresh.too_old else ""
        batch.save(update_fields=["released_by", "released_at", "release_note"])
    return left_out


def _stopped_since(by: User, round_ids: Sequence[int], frame: Acting) -> int:
    """Close the rounds whose person may no longer be sent a kit; returns how many."""
    with connection.cursor() as cursor:
        cursor.execute(sql.NOT_TO_SEND, {"today": frame.today, "rounds": list(round_ids)})
        found: dict[str, list[int]] = {}
        for pk, reason in cursor.fetchall():
            found.setdefault(reason, []).append(pk)
    found.pop("", None)
    for reason, ids in found.items():
        rounds_stop(by=by, round_ids=ids, reason=reason, rule="job 2.3")
    return sum(len(ids) for ids in found.values())


def batch_counts(batches: Sequence[Batch]) -> dict[int, BatchCounts]:
    """What became of these batches' people, by batch id."""
    with connection.cursor() as cursor:
        cursor.execute(sql.COUNTS, {"batches": [b.pk for b in batches]})
        found = {row[0]: BatchCounts(*row[1:]) for row in cursor.fetchall()}
    return {b.pk: found.get(b.pk, BatchCounts()) for b in batches}


def replacements_send(*, by: User, round_ids: Sequence[int] | None = None) -> int:
    """Send another kit to rounds that wait for one and had one before; returns how many were sent.

    A round that had all its replacements goes to the phone desk with a date; one whose last kit could not be
    delivered is sent another only when named, after its address was looked at.
    """
    with acting(by, reason="replacement kits") as frame:
        policy = policy_on(frame.today)
        params: dict[str, Any] = {
            "rounds": None if round_ids is None else list(round_ids), "today": frame.today,
            "max_replacements": policy.max_replacements, "kit_life": _kit_life(policy, frame.today),
            "closing": policy.closing_days, "closing_after": policy.closing_days_after_replacement,
            "call": frame.today + timedelta(days=CALL_AGAIN_DAYS),
        }  # fmt: skip
        with connection.cursor() as cursor:
            cursor.execute(sql.WANTS_ANOTHER, params)
            _stopped_since(by, [pk for (pk,) in cursor.fetchall()], frame)
        make_moves(
            ledger_of(Round),
            "reschedule",
            source=sql.TOO_MANY_SENT,
            params=params,
            values={
                "due_on": "%(call)s::date",
                "pool": f"'{Pool.PHONE_DESK}'",
                "reason": "'no_more_replacements'",
            },
        )
        return _paired(sql.SEND_REPLACEMENTS, params)


def replacements_wanted() -> int:
    """How many rounds wait for another kit, whoever has to act."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM ({sql.WANTS_ANOTHER}) w", {"rounds": None})
        return int(cursor.fetchone()[0])


def batch_left_out(batch: Batch) -> list[tuple[str, int]]:
    """Why people of a batch were left out before their kit was sent, and how many."""
    rounds = Round.objects.filter(batch=batch, state="closed", dispatched_on=None).order_by()
    return sorted(rounds.values_list("close_reason").annotate(n=Count("pk")))


def kit_reported_lost(*, by: User, kit: Kit, note: str = "") -> Round | None:
    """Record that a kit never came or is gone: it is void, and its round waits for another kit today."""
    return _kit_gone(by, kit, event="lost", reason="reported_lost", pool=Pool.OFFICE, note=note)


def kit_undelivered(*, by: User, kit: Kit, note: str = "") -> Round | None:
    """Record that the post brought an envelope back: its round goes to the phone desk, to find a newer address."""
    return _kit_gone(by, kit, event="undelivered", reason="undelivered", pool=Pool.PHONE_DESK, note=note)


def _kit_gone(by: User, kit: Kit, *, event: str, reason: str, pool: Pool, note: str) -> Round | None:
    with acting(by) as frame:
        if kit.round_id is None:
            raise IllegalMove("kit_not_sent", _("This kit was never sent to anybody."))
        kits_lock([kit.pk])
        round_ = Round.objects.select_for_update(of=("self",), no_key=True).get(pk=kit.round_id)
        make_move(kit, event, note=note)
        Kit.objects.filter(pk=kit.pk, void_on=None).update(void_on=frame.today, void_reason=reason)
        if round_.state == "kit_out":
            make_move(round_, "kit_gone", due_on=frame.today, pool=pool, reason=reason, note=note)
        return round_


def batch_find(number: str) -> Batch:
    """The batch of a number; raises NotFound."""
    batch = Batch.objects.filter(number=number.strip()).first()
    if batch is None:
        raise NotFound("batch_unknown", _("There is no batch “%(number)s”.") % {"number": number[:20]})
    return batch
