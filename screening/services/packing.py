"""The packing table: letter and kit scanned together, packs opened to check, a contractor's file taken, and what is missing.

Source: the programme's job description 2.4 (rules, exceptions 1, 2 and 7), hazards H5 and H6. Letters are another part's, so
they are named here by their round; whoever reads a token brings the round along.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from screening.models import Batch, Kit, KitDoubt, Manifest, Pack, PackCheck
from screening.serials import SerialError, serial_read
from screening.services import batches_sql
from screening.services import packing_sql as sql
from screening.services.doubts import doubt_kits
from screening.services.intake_sql import kits_void
from screening.services.policies import policy_on
from staff.acting import Acting, acting
from staff.errors import IllegalMove, NotFound, RoundbookError
from staff.models import User

Verdict = Pack.Verdict
AGAIN = "again"


@dataclass(frozen=True, slots=True)
class Seen:
    """A letter (by its round and its token) and a kit (by its serial) that were held together."""

    round_id: int | None
    serial: str
    letter: str = ""
    tray: str = ""
    posted_on: date | None = None
    line: int = 0


@dataclass(frozen=True, slots=True)
class Judged:
    """What a pair is: its verdict, its batch and kit, and the serial the letter asks for."""

    verdict: str
    batch_id: int | None
    kit_id: int | None
    wanted: str = ""


@dataclass(frozen=True, slots=True)
class Packing:
    """How far a batch is packed: kits waiting, right pairs, refused ones, packs to open, kits without a pair."""

    waiting: int
    paired: int
    refused: int
    to_open: list[tuple[int, int, str, str]]
    missing: int


def pairs_judge(seen: Sequence[Seen], *, batch: Batch | None = None) -> list[Judged]:
    """One verdict for each pair, in order; `again` for one that was packed before. Reads only."""
    params: dict[str, Any] = {
        "n": list(range(len(seen))), "rounds": [s.round_id for s in seen], "serials": [s.serial for s in seen],
        "batch": batch.pk if batch else None,
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(sql.JUDGE, params)
        return [Judged(row[4], row[1], row[2], row[3]) for row in cursor.fetchall()]


def pack_scan(*, by: User, batch: Batch, round_id: int | None, letter: str, raw: str) -> tuple[Judged, str]:
    """A letter and a kit scanned at the packing table: the verdict and the words for it. A wrong pair counts as nothing.

    RoundbookError when the code is no kit serial or the batch may not be packed now.
    """
    with acting(by, reason="packing") as frame:
        batch = _packable(batch, frame)
        try:
            serial = serial_read(raw)
        except SerialError as error:
            raise RoundbookError(error.code.value, error.sentence) from error
        seen = Seen(round_id, serial, letter=letter)
        found = pairs_judge([seen], batch=batch)[0]
        if found.verdict == Verdict.PAIRED and _stopped(round_id, frame):
            found = Judged(Verdict.STOPPED, found.batch_id, found.kit_id)
        if found.verdict != AGAIN:
            packs_store(by=by, seen=[seen], judged=[found])
    return found, verdict_words(found, serial)


def _packable(batch: Batch, frame: Acting) -> Batch:
    batch = Batch.objects.select_for_update(of=("self",), no_key=True).get(pk=batch.pk)
    if batch.dispatched_on is not None:
        raise IllegalMove(
            "posted_already", _("This batch has been handed to the post. Nothing can be packed.")
        )
    if policy_on(frame.today).second_person_releases and batch.released_by_id is None:
        raise IllegalMove("not_released", _("A second person has to release this batch before it is packed."))
    return batch


def _stopped(round_id: int | None, frame: Acting) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(batches_sql.NOT_TO_SEND, {"today": frame.today, "rounds": [round_id]})
        return any(reason for _pk, reason in cursor.fetchall())


def verdict_words(found: Judged, serial: str) -> str:
    """What to do with a pair, in words."""
    words: Mapping[str, str] = {
        Verdict.PAIRED: _("Right letter, right kit. Seal it."),
        AGAIN: _("This very pair was packed before. Nothing was counted twice."),
        Verdict.MISPAIRED: _("STOP: not this kit. The letter asks for %(wanted)s, in your hand is %(serial)s. Put both aside and look for the right one."),
        Verdict.KIT_UNKNOWN: _("STOP: no kit %(serial)s is in the book. Put it aside."),
        Verdict.KIT_VOID: _("STOP: kit %(serial)s may not be used any more. Put letter and kit aside."),
        Verdict.STOPPED: _("STOP: this person may not be sent a kit as things stand. Put letter and kit aside."),
        Verdict.NOT_WAITING: _("STOP: nobody waits for this pair any more. Put letter and kit aside."),
        Verdict.OTHER_BATCH: _("STOP: this letter is of another batch. Put it with that one."),
        Verdict.LETTER_UNKNOWN: _("STOP: no invitation has this token. Scan the square in the window again."),
    }  # fmt: skip
    return words[found.verdict] % {"wanted": found.wanted or "–", "serial": serial}


def packs_store(
    *, by: User, seen: Sequence[Seen], judged: Sequence[Judged], manifest: Manifest | None = None
) -> None:
    """Write what was made of these pairs, in one statement; those known before are not written."""
    rows = [(s, j) for s, j in zip(seen, judged, strict=True) if j.verdict != AGAIN]
    with connection.cursor() as cursor:
        cursor.execute(
            sql.STORE,
            {
                "batches": [j.batch_id for _s, j in rows], "rounds": [s.round_id if j.batch_id else None for s, j in rows],
                "kits": [j.kit_id for _s, j in rows], "serials": [s.serial[:20] for s, _j in rows],
                "letters": [s.letter[:24] for s, _j in rows], "trays": [s.tray[:20] for s, _j in rows],
                "verdicts": [str(j.verdict) for _s, j in rows], "posted": [s.posted_on for s, _j in rows],
                "lines": [s.line for s, _j in rows], "manifest": manifest.pk if manifest else None, "by": by.pk,
            },
        )  # fmt: skip


def pack_check(*, by: User, batch: Batch, round_id: int | None, raw: str) -> tuple[bool, list[KitDoubt]]:
    """A sealed pack was opened: is the kit in it the one packed with that letter? If not, its whole tray is in doubt.

    Returns whether it was right, and the ranges put in doubt. The same kit found in the same pack again is written once.
    NotFound when no such pack was made.
    """
    with acting(by, reason="sealed pack opened") as frame:
        batch = _packable(batch, frame)
        try:
            serial = serial_read(raw)
        except SerialError as error:
            raise RoundbookError(error.code.value, error.sentence) from error
        pack = (
            Pack.objects.filter(batch=batch, round_id=round_id or 0, verdict=Verdict.PAIRED)
            .select_related("kit")
            .order_by("-nth")
            .first()
        )
        if pack is None or pack.kit is None:
            raise NotFound(
                "pack_unknown", _("No pack with this letter was made. Scan the square in its window.")
            )
        right = pack.kit.serial == serial
        before = PackCheck.objects.filter(pack=pack, found=serial).first()
        if before is not None:
            return right, [] if right else _doubts_of(before)
        PackCheck.objects.create(batch=batch, pack=pack, found=serial, right=right, at=frame.now, by=by)
        return right, [] if right else _tray_doubted(by, pack, pack.kit.serial, serial)


def _tray_doubted(by: User, pack: Pack, wanted: str, found: str) -> list[KitDoubt]:
    """Put in doubt whatever was packed in the tray of this pack, and the kit that was found in it."""
    tray = Pack.objects.filter(batch=pack.batch, tray=pack.tray, verdict=Verdict.PAIRED)
    ids = {
        *tray.values_list("kit_id", flat=True),
        *Kit.objects.filter(serial=found).values_list("pk", flat=True),
    }
    why = _("A pack opened to check held %(found)s instead of %(wanted)s.")
    words = why % {"found": found, "wanted": wanted}
    return doubt_kits(by=by, kit_ids=[pk for pk in ids if pk], why=words, posted=False)


def _doubts_of(check: PackCheck) -> list[KitDoubt]:
    """The ranges a check put in doubt: written in its moment, by the same hand, about the same kit."""
    found = KitDoubt.objects.filter(opened_at=check.at, opened_by=check.by, why__contains=check.found)
    return list(found.order_by("pk"))


def packing_of(batch: Batch, *, on: date) -> Packing:
    """How far a batch is packed."""
    every = policy_on(on).pack_check_every
    with connection.cursor() as cursor:
        cursor.execute(sql.COUNTS, {"batch": batch.pk})
        waiting, paired, refused = cursor.fetchone()
        cursor.execute(sql.CHECKS_OWED, {"batch": batch.pk, "every": every})
        to_open = cursor.fetchall()
        cursor.execute(f"SELECT count(*) FROM ({sql.UNPROVEN}) u", {"batch": batch.pk})
        missing = cursor.fetchone()[0]
    return Packing(waiting, paired, refused, to_open, missing)


def pairs_checked(batch: Batch, frame: Acting) -> None:
    """RoundbookError while a kit of the batch lacks its proven letter, or a sealed pack waits to be opened."""
    with connection.cursor() as cursor:
        cursor.execute(sql.UNPROVEN, {"batch": batch.pk})
        missing = [serial for _pk, serial in cursor.fetchall()]
    if missing:
        words = ngettext(
            "%(n)s kit was not scanned with its letter: %(serials)s. Find it, or take it out as missing.",
            "%(n)s kits were not scanned with their letters, the first: %(serials)s. Find them, or take them out as missing.",
            len(missing),
        )
        facts = {"n": len(missing), "serials": ", ".join(missing[:5])}
        raise RoundbookError("pairs_missing", words % facts, missing=len(missing))
    owed = packing_of(batch, on=frame.today).to_open
    if owed:
        words = ngettext(
            "%(n)s sealed pack has to be opened and compared first.",
            "%(n)s sealed packs have to be opened and compared first.",
            len(owed),
        )
        raise RoundbookError("checks_owed", words % {"n": len(owed)}, owed=len(owed))


def packs_missing_out(*, by: User, batch: Batch) -> int:
    """Take out the kits that were not found with their letters: they are void, never used again, and their people wait
    for another. Returns how many.
    """
    with acting(by, reason="kits without their letters") as frame:
        batch = _packable(batch, frame)
        with connection.cursor() as cursor:
            cursor.execute(sql.UNPROVEN, {"batch": batch.pk})
            ids = [pk for pk, _serial in cursor.fetchall()]
        kits_void(ids, "not found when packing")
    return len(ids)
