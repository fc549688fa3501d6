"""Kits that may lie beside another person's letter: set aside when they come, their people sent another kit.

Source: the programme's job description 2.4 (exception 2), hazard H5. Nobody can tell such kits apart, so it is for good.
"""

from collections.abc import Iterable, Sequence
from datetime import timedelta

from django.db import connection
from django.utils.translation import gettext as _

from screening.accession_words import Reason
from screening.models import Kit, KitDoubt, Return, Round
from screening.serials import SerialError, serial_read
from screening.services import packing_sql as sql
from screening.services.policies import policy_on
from screening.services.rounds import rounds_unsuitable
from staff.acting import Acting, acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool

MISPAIRED = "mispair suspected"
"""Why such a kit is void; the bench reads it as identity in doubt."""
MOST_KITS = 20_000


def doubt_range(*, by: User, first: str, last: str, why: str, posted: bool) -> KitDoubt:
    """Put every kit of a range of serials in doubt. RoundbookError when the range or the reason is no good."""
    if not why.strip():
        raise RoundbookError("reason_missing", _("Say what happened."), field="why")
    try:
        begin, end = serial_read(first), serial_read(last)
    except SerialError as error:
        raise RoundbookError(error.code.value, error.sentence) from error
    if end < begin:
        raise RoundbookError("range_backwards", _("The last serial comes before the first."), field="last")
    ids = list(
        Kit.objects.filter(serial__gte=begin, serial__lte=end).order_by("pk").values_list("pk", flat=True)[: MOST_KITS + 1]
    )  # fmt: skip
    if not ids:
        raise RoundbookError("no_kits", _("No kit of this range is in the book."), field="first")
    if len(ids) > MOST_KITS:
        raise RoundbookError("range_large", _("That is more than 20,000 kits. Take smaller ranges."))
    with acting(by, reason="kits in doubt") as frame:
        counted = _set_aside(by, frame, ids, posted=posted)
        return _written(frame, begin, end, why, posted, counted)


def doubt_kits(*, by: User, kit_ids: Iterable[int], why: str, posted: bool) -> list[KitDoubt]:
    """Put these kits in doubt; one row for each run of consecutive serials."""
    ids = sorted(set(kit_ids))
    if not ids:
        return []
    with acting(by, reason="kits in doubt") as frame:
        found = []
        serials = dict(Kit.objects.filter(pk__in=ids).values_list("serial", "pk"))
        for run in serial_runs(sorted(serials)):
            counted = _set_aside(by, frame, [serials[one] for one in run], posted=posted)
            found.append(_written(frame, run[0], run[-1], why, posted, counted))
    return found


def kits_of_trays(found: Sequence[int], round_ids: Sequence[int]) -> list[int]:
    """The kits that lie, or may lie, in trays: those found in them and those that their letters' rounds ask for."""
    with connection.cursor() as cursor:
        cursor.execute(sql.OF_TRAYS, {"found": list(found), "rounds": list(round_ids)})
        return [pk for (pk,) in cursor.fetchall()]


def serial_runs(serials: Sequence[str]) -> list[list[str]]:
    """Serials in order, cut where their running numbers jump. The last character checks the others and does not count."""
    runs: list[list[str]] = []
    for serial in serials:
        if runs and int(serial[2:-1]) == int(runs[-1][-1][2:-1]) + 1:
            runs[-1].append(serial)
        else:
            runs.append([serial])
    return runs


def _written(
    frame: Acting, first: str, last: str, why: str, posted: bool, counted: tuple[int, int, int]
) -> KitDoubt:
    kits, people, back = counted
    return KitDoubt.objects.create(
        first_serial=first, last_serial=last, why=why.strip()[:200], posted=posted, kits=kits, people=people, back=back,
        opened_at=frame.now, opened_by=frame.by,
    )  # fmt: skip


def _set_aside(by: User, frame: Acting, ids: list[int], *, posted: bool) -> tuple[int, int, int]:
    """Void the kits and let their people wait for another: (kits set aside when they come, people, kits back before)."""
    with connection.cursor() as cursor:
        cursor.execute(sql.LOCK_IN_DOUBT, {"ids": ids})
        rows = cursor.fetchall()
        rounds = sorted({row[2] for row in rows if row[2] is not None})
        list(
            Round.objects.filter(pk__in=rounds)
            .order_by("pk")
            .select_for_update(no_key=True)
            .values_list("pk")
        )
        if posted:
            due = frame.today + timedelta(days=policy_on(frame.today).closing_days)
            cursor.execute(sql.SEND_IN_DOUBT, {"ids": ids, "today": frame.today, "due": due})
        out = [row[0] for row in rows if row[1] != "returned"]
        cursor.execute(sql.VOID_IN_DOUBT, {"ids": out, "why": MISPAIRED})
        cursor.execute(sql.LEFT_WITHOUT, {"rounds": rounds, "state": "kit_out"})
        gone = [pk for (pk,) in cursor.fetchall()]
        cursor.execute(sql.LEFT_WITHOUT, {"rounds": rounds, "state": "kit_due"})
        waiting = [pk for (pk,) in cursor.fetchall()]
        cursor.execute(sql.BACK_IN_DOUBT, {"ids": [row[0] for row in rows if row[1] == "returned"]})
        back = cursor.fetchall()
    _gone(gone, frame)
    again = _taken_back(by, back)
    return len(out), len({*gone, *waiting, *again}), len(back)


def _gone(round_ids: list[int], frame: Acting) -> None:
    make_moves(
        ledger_of(Round),
        "kit_gone",
        source="SELECT unnest(%(ids)s::bigint[]) AS id",
        params={"ids": round_ids, "due": frame.today},
        values={
            "due_on": "%(due)s::date",
            "pool": f"'{Pool.OFFICE}'",
            "reason": "'mispaired'",
            "rule": "'H5'",
        },
    )


def _taken_back(by: User, rows: Sequence[tuple[int, str, int, str]]) -> list[int]:
    """Kits that had come back and have no result yet are not measured; their rounds wait for another kit.

    One that has its result already stays: the laboratory looks back over it.
    """
    unmeasured = [
        row for row in rows if row[1] in ("logged", "set_aside", "ready") and row[3] == "result_due"
    ]
    if not unmeasured:
        return []
    make_moves(
        ledger_of(Return),
        "reject",
        source="SELECT unnest(%(ids)s::bigint[]) AS id",
        params={"ids": [row[0] for row in unmeasured], "why": Reason.IDENTITY_IN_DOUBT.value},
        values={"reason": "%(why)s", "rule": "'H5'"},
    )
    rounds = sorted({row[2] for row in unmeasured})
    still = set(
        Return.objects.filter(kit__round__in=rounds, state__in=["logged", "set_aside", "ready"])
        .values_list("kit__round_id", flat=True)
    )  # fmt: skip
    alone = [pk for pk in rounds if pk not in still]
    rounds_unsuitable(by=by, round_ids=alone, reasons=dict.fromkeys(alone, Reason.IDENTITY_IN_DOUBT.value))
    return alone


def back_in_doubt(doubt: KitDoubt, *, limit: int = 50) -> list[Kit]:
    """Kits of a range that had come back: what the laboratory has to look back over."""
    return list(
        Kit.objects.filter(serial__gte=doubt.first_serial, serial__lte=doubt.last_serial, state="returned")
        .exclude(void_reason=MISPAIRED)
        .select_related("round")
        .order_by("serial")[:limit]
    )
