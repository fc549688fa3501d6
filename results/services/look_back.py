"""Look-back, built once for all to use: from what is in doubt to everybody affected, until each is settled (R20)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import connection
from django.db.models import Count, Q
from django.utils.translation import gettext as _

from results.models import LookBack, LookBackRow, Result, Sample, VialDestroyed
from results.services.samples import rounds_without_usable_kit
from screening.models import KitDoubt
from screening.services.rounds import rounds_result_withdrawn
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import IllegalMove, RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool, Role

Action = LookBackRow.Action
KEEP_DAYS = 28
"""Days that a measured vial is kept (job section 10, vial retention; common practice, no source)."""
RETEST_DAYS = 14
"""Days within which a kept vial, at 2 to 8 °C, may be measured again (job 2.8-3)."""
WHICH: Mapping[str, str] = {
    "kit_lot": "k.lot_id = %(ref)s",
    "lab_lot": "EXISTS (SELECT 1 FROM results_reading r JOIN results_runlot x ON x.run_id = r.run_id"
    " WHERE r.sample_id = s.id AND x.lot_id = %(ref)s)",
    "control_lot": "EXISTS (SELECT 1 FROM results_reading r JOIN results_controlreading c ON c.run_id = r.run_id"
    " WHERE r.sample_id = s.id AND c.control_id = %(ref)s)",
    "run": "EXISTS (SELECT 1 FROM results_reading r WHERE r.sample_id = s.id AND r.run_id = %(ref)s)",
    "hours": "EXISTS (SELECT 1 FROM results_reading r JOIN results_run u ON u.id = r.run_id WHERE r.sample_id = s.id"
    " AND u.analyser_id = %(ref)s AND r.read_at >= %(from)s AND r.read_at < %(until)s)",
    "delivery": "b.delivery_id = %(ref)s",
    "kit_doubt": "EXISTS (SELECT 1 FROM screening_kitdoubt q WHERE q.id = %(ref)s"
    " AND k.serial BETWEEN q.first_serial AND q.last_serial)",
}
AFFECTED = """
    INSERT INTO results_lookbackrow (look_back_id, sample_id, result_id, action, note, settled_how)
    SELECT %(look_back)s, s.id, e.id, '', '', '' FROM results_sample s
    JOIN screening_kit k ON k.id = s.kit_id JOIN screening_return b ON b.id = s.return_of_id
    LEFT JOIN results_result e ON e.sample_id = s.id AND e.is_current
    WHERE {which} AND NOT EXISTS (
        SELECT 1 FROM results_lookbackrow o WHERE o.look_back_id = %(look_back)s AND o.sample_id = s.id)
    ORDER BY s.id
"""
SETTLE = """
    UPDATE results_lookbackrow w SET settled_at = %(now)s, settled_how = f.how FROM (
        SELECT w.id, CASE WHEN e.id IS NOT NULL THEN 'new result' ELSE 'round closed: ' || d.close_reason END AS how
        FROM results_lookbackrow w JOIN results_sample s ON s.id = w.sample_id
        JOIN screening_round d ON d.id = s.round_id
        LEFT JOIN LATERAL (
            SELECT e.id FROM results_result e WHERE e.round_id = s.round_id AND e.is_current
            AND e.authorised_at >= w.decided_at AND e.id > coalesce(w.result_id, 0) LIMIT 1) e ON true
        WHERE w.look_back_id = %(look_back)s AND w.settled_at IS NULL AND w.action IN ('retest', 'reinvite')
          AND (e.id IS NOT NULL OR (d.state = 'closed' AND d.close_reason <> 'below'))
    ) f WHERE f.id = w.id
"""


def look_back_open(
    *, by: User, kind: str, ref: int, reason: str, hours: tuple[datetime, datetime] | None = None
) -> LookBack:
    """Open a look-back and list every sample it touches, in one statement; letters not yet handed over wait for it.

    `ref` is the id of the lot, run, analyser, delivery or kits in doubt; `hours` bounds an analyser's readings.
    """
    require_role(by, Role.LABORATORY, Role.CLINICIAN)
    if not reason.strip():
        raise RoundbookError("words_missing", _("Write why these results are in doubt."))
    if kind not in WHICH or (kind == "hours") != (hours is not None):
        raise RoundbookError(
            "look_back_kind", _("Choose what is in doubt; hours need a beginning and an end.")
        )
    if hours is not None and not hours[0] < hours[1]:
        raise RoundbookError("hours_order", _("The end must be later than the beginning."))
    with acting(by, reason=reason.strip()) as frame:
        column = "analyser_id" if kind == "hours" else f"{kind}_id"
        facts: dict[str, Any] = {column: ref}
        if hours is not None:
            facts |= {"from_at": hours[0], "until_at": hours[1]}
        look_back = LookBack.objects.create(
            kind=kind, reason=reason.strip(), opened_by=by, opened_at=frame.now, **facts
        )
        look_back_widen(look_back)
    return look_back


def look_back_widen(look_back: LookBack) -> int:
    """Add samples that came to be affected since it was opened; returns how many. Safe to run again."""
    params = {
        "look_back": look_back.pk, "from": look_back.from_at, "until": look_back.until_at,
        "ref": look_back.analyser_id if look_back.kind == "hours" else getattr(look_back, f"{look_back.kind}_id"),
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(AFFECTED.format(which=WHICH[look_back.kind]), params)
        return int(cursor.rowcount)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a look-back has come."""

    rows: int
    decided: int
    settled: int
    people: int
    high: int

    @property
    def percent(self) -> int:
        """Whole per cent of rows settled; 100 only when all are, and for an empty one."""
        return 100 * self.settled // self.rows if self.rows else 100


def look_back_progress(look_back: LookBack) -> Progress:
    """Rows, rows decided, rows settled, people, and results at or above among them."""
    told = LookBackRow.objects.filter(look_back=look_back).aggregate(
        rows=Count("pk"),
        decided=Count("pk", filter=~Q(action="")),
        settled=Count("pk", filter=Q(settled_at__isnull=False)),
        people=Count("sample__person", distinct=True),
        high=Count("pk", filter=Q(result__side="at_or_above")),
    )
    return Progress(**told)


def look_back_refresh(*, by: User, look_back: LookBack) -> int:
    """Settle rows whose retest or new kit has led to a result, or whose round closed otherwise; returns how many."""
    with acting(by) as frame, connection.cursor() as cursor:
        cursor.execute(SETTLE, {"look_back": look_back.pk, "now": frame.now})
        return int(cursor.rowcount)


def look_back_act(
    *, by: User, look_back: LookBack, row_ids: Sequence[int], action: str, words: str, second: User
) -> int:
    """Decide about some rows, with a second person; returns how many were decided.

    `retest` and `reinvite` withdraw a result below and measure again or send a new kit; a result at or above is never
    taken back in bulk, because it stands until a clinician has spoken with the person. `nothing` needs the words only.
    """
    require_role(by, Role.LABORATORY)
    require_role(second, Role.LABORATORY, Role.CLINICIAN)
    if second.pk == by.pk:
        raise RoundbookError("second_person", _("A second person must agree: choose somebody else."))
    if action not in (Action.RETEST, Action.REINVITE, Action.NOTHING):
        raise RoundbookError("look_back_action", _("Choose what is done about these samples."))
    if action == Action.RETEST and look_back.kind == LookBack.Kind.KIT_DOUBT:
        raise RoundbookError(
            "retest_tells_nothing",
            _("Measuring again does not tell whose vial it is. Send these people another kit."),
        )
    if not words.strip():
        raise RoundbookError("words_missing", _("Write why this is done."))
    told = _("%(words)s (agreed by %(second)s)") % {"words": words.strip(), "second": second}
    with acting(by, reason=told) as frame:
        rows = LookBackRow.objects.select_for_update(of=("self",)).filter(
            look_back=look_back, pk__in=list(row_ids), action=""
        )
        chosen = list(rows.select_related("sample").order_by("sample_id"))
        if action != Action.NOTHING:
            standing = _standing_high([row.sample_id for row in chosen])
            chosen = [row for row in chosen if row.sample_id not in standing]
            _measure_again([row.sample_id for row in chosen], action=action, note=told, by=by, frame=frame)
        done = {"settled_at": frame.now, "settled_how": "nothing needed"} if action == Action.NOTHING else {}
        LookBackRow.objects.filter(pk__in=[row.pk for row in chosen]).update(
            action=action, note=told, decided_by=by, decided_at=frame.now, **done
        )
    return len(chosen)


def _standing_high(sample_ids: Sequence[int]) -> set[int]:
    high = Result.objects.filter(sample_id__in=sample_ids, is_current=True, side="at_or_above")
    return set(high.values_list("sample_id", flat=True))


def _measure_again(sample_ids: Sequence[int], *, action: str, note: str, by: User, frame: Acting) -> None:
    """Withdraw current results below, send what waits for release back to the bench, and spoil what gets a new kit."""
    results = (
        Result.objects.select_for_update().filter(sample_id__in=sample_ids, is_current=True).order_by("pk")
    )
    taken_back = list(results.values_list("pk", "round_id"))
    Result.objects.filter(pk__in=[pk for pk, _round in taken_back]).update(
        is_current=False, is_deciding=False
    )
    tomorrow = frame.today + timedelta(days=1)
    for event in ("withdraw", "retest"):
        _samples(event, sample_ids, note=note, due=tomorrow)
    rounds = _now_undecided([round_id for _pk, round_id in taken_back])
    rounds_result_withdrawn(by=by, round_ids=rounds, due_on=tomorrow, note=note)
    if action == Action.REINVITE:
        _samples("spoil", sample_ids, note=note, due=None)
        rounds_without_usable_kit(
            by=by, sample_ids=list(sample_ids), reasons=dict.fromkeys(sample_ids, "look_back")
        )


def _samples(event: str, sample_ids: Sequence[int], *, note: str, due: object) -> None:
    values = {"note": "%(note)s", "rule": "'R20'"}
    if due is not None:
        values |= {"due_on": "%(due)s::date", "pool": f"'{Pool.LABORATORY}'"}
    make_moves(
        ledger_of(Sample),
        event,
        source="SELECT unnest(%(ids)s::bigint[]) AS id",
        params={"ids": list(sample_ids), "note": note, "due": due},
        values=values,
    )


def _now_undecided(round_ids: Sequence[int]) -> list[int]:
    """Of these rounds, those without any current result; another one that stands decides from now on."""
    others = Result.objects.filter(round_id__in=list(round_ids), is_current=True).order_by(
        "round_id", "-side", "pk"
    )
    standing: dict[int, int] = {}
    for pk, round_id, _side in sorted(
        others.values_list("pk", "round_id", "side"), key=lambda row: (row[2] != "at_or_above", row[0])
    ):
        standing.setdefault(round_id, pk)
    Result.objects.filter(pk__in=list(standing.values())).update(is_deciding=True)
    return sorted(set(round_ids) - set(standing))


def look_back_close(*, by: User, look_back: LookBack, words: str) -> LookBack:
    """Close a look-back once every row is settled."""
    require_role(by, Role.LABORATORY, Role.CLINICIAN)
    if not words.strip():
        raise RoundbookError("words_missing", _("Write what the look-back showed."))
    look_back_refresh(by=by, look_back=look_back)
    with acting(by, reason=words.strip()) as frame:
        locked = LookBack.objects.select_for_update(of=("self",)).get(pk=look_back.pk)
        if locked.closed_at is not None:
            raise IllegalMove("look_back_closed", _("This look-back was closed already."))
        left = LookBackRow.objects.filter(look_back=locked, settled_at__isnull=True).count()
        if left:
            raise RoundbookError(
                "look_back_unsettled",
                _("%(n)s samples are not settled yet. It stays open until all are.") % {"n": left},
            )
        locked.closed_at, locked.closed_by, locked.closing_words = frame.now, by, words.strip()
        locked.save(update_fields=["closed_at", "closed_by", "closing_words"])
    return locked


def vials_destroy(*, by: User, serials: Sequence[str]) -> int:
    """Write down that kept vials were destroyed; none before its day, and none that an open look-back may still need.

    Refuses the whole list and names the first vial that must be kept (H44).
    """
    require_role(by, Role.LABORATORY)
    with acting(by) as frame:
        samples = list(
            Sample.objects.select_for_update(of=("self",)).filter(serial__in=list(serials)).order_by("pk")
        )
        needed = set(
            LookBackRow.objects.filter(sample__in=samples, look_back__closed_at__isnull=True)
            .filter(Q(settled_at__isnull=True) | Q(action=""))
            .values_list("sample_id", flat=True)
        )
        for sample in samples:
            trouble = _must_stay(sample, needed, frame)
            if trouble:
                raise RoundbookError("vial_kept", trouble, serial=sample.serial)
        missing = set(serials) - {sample.serial for sample in samples}
        if missing:
            raise RoundbookError(
                "unknown_serial", _("No vial has the serial %(serial)s.") % {"serial": min(missing)}
            )
        known = set(VialDestroyed.objects.filter(sample__in=samples).values_list("sample_id", flat=True))
        VialDestroyed.objects.bulk_create(
            VialDestroyed(sample=sample, destroyed_at=frame.now, destroyed_by=by)
            for sample in samples
            if sample.pk not in known
        )
    return len(samples) - len(known)


def _must_stay(sample: Sample, needed: set[int], frame: Acting) -> str:
    if sample.pk in needed:
        return _("%(serial)s is part of a look-back that is not settled. Keep it.") % {
            "serial": sample.serial
        }
    if sample.state not in ("reported", "not_measurable", "unsuitable", "recalled"):
        return _("%(serial)s has no result yet. Keep it.") % {"serial": sample.serial}
    last = sample.readings.order_by("-analysed_on").values_list("analysed_on", flat=True).first()
    keep_until = last + timedelta(days=KEEP_DAYS) if last else None
    if keep_until is not None and frame.today <= keep_until:
        return _("%(serial)s is kept until %(day)s.") % {"serial": sample.serial, "day": keep_until}
    return ""


UNLOOKED = """
SELECT q.* FROM screening_kitdoubt q WHERE NOT EXISTS (SELECT 1 FROM results_lookback l WHERE l.kit_doubt_id = q.id)
  AND EXISTS (SELECT 1 FROM screening_kit k JOIN results_sample s ON s.kit_id = k.id
              JOIN results_result e ON e.sample_id = s.id AND e.is_current
              WHERE k.serial BETWEEN q.first_serial AND q.last_serial)
ORDER BY q.id
"""


def doubts_without_look_back() -> Sequence[KitDoubt]:
    """Ranges of kits in doubt that hold a result that counts, and nobody has opened their look-back (hazard H5)."""
    return list(KitDoubt.objects.raw(UNLOOKED))
