"""Letters at the packing table: a token read to its round, a contractor's manifest taken, ten letters of a batch to look at.

A manifest is UTF-8 CSV with a header row and one line a pack:
`batch, tray, letter, kit, posted_on`. `batch` is our number of the batch; `tray` the contractor's own (may be empty); `letter`
the token printed on the page, read by the inserting machine; `kit` the serial read from the kit that went in with it;
`posted_on` the day the pack left, as year-month-day, empty while it is still there. The same file, or the same line in another
file, counts once. One wrong pair puts its whole tray in doubt (hazard H5).
"""

import csv
import hashlib
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from django.utils.translation import gettext as _

from outreach.letters.render import Rendered, Sheet, letters_render
from outreach.letters.tokens import token_read
from outreach.models import PrintedLetter
from outreach.services.preview import MARK
from outreach.services.unwritten import KINDS_PACKED, letters_tried
from screening.models import Batch, KitDoubt, Manifest, Pack
from screening.serials import SerialError, serial_read
from screening.services.doubts import doubt_kits, kits_of_trays
from screening.services.packing import AGAIN, Judged, Seen, packs_store, pairs_judge
from staff.access import require_role
from staff.acting import Acting, acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

MANIFEST_COLUMNS = ("batch", "tray", "letter", "kit", "posted_on")
MOST_LINES = 60_000
MOST_BYTES = 8_000_000
LETTERS_SHOWN = 10
PACKERS = (Role.PHONE_DESK, Role.MANAGER)
DOUBTFUL = frozenset({Pack.Verdict.MISPAIRED, Pack.Verdict.KIT_UNKNOWN, Pack.Verdict.LETTER_UNKNOWN})
"""Verdicts after which the other half of the pair must lie in another envelope."""


@dataclass(frozen=True)
class Taken:
    """What a manifest came to: the file as it is kept, lines by verdict, ranges put in doubt, whether it was known."""

    manifest: Manifest
    verdicts: Counter[str] = field(default_factory=Counter)
    doubts: Sequence[KitDoubt] = ()
    was_known: bool = False


def round_of_token(token: str) -> int | None:
    """The round of the invitation whose page carries this token; None when there is none."""
    place = token_read(token)
    if place is None:
        return None
    printed = PrintedLetter.objects.filter(
        print_run_id=place[0], position=place[1], pulled="", letter__kind__in=KINDS_PACKED
    )
    return printed.values_list("letter__round_id", flat=True).first()


def rounds_of_tokens(tokens: Sequence[str]) -> dict[str, int]:
    """Token → round for all of these at once."""
    found = PrintedLetter.objects.filter(token__in=tokens, pulled="", letter__kind__in=KINDS_PACKED)
    return dict(found.values_list("token", "letter__round_id"))


def manifest_take(*, by: User, name: str, content: bytes) -> Taken:
    """Take a contractor's file: every line judged, nothing half. RoundbookError `manifest_wrong` names the first wrong line.

    A pair that does not belong together puts every kit of its tray in doubt: those found there and those its letters ask for.
    """
    require_role(by, *PACKERS)
    digest = hashlib.sha256(content).hexdigest()
    with acting(by, reason="contractor's manifest") as frame:
        known = Manifest.objects.filter(sha256=digest).first()
        if known is not None:
            return Taken(known, was_known=True)
        lines = _lines(content, frame)
        batches = _batches_locked(lines)
        seen = [one for _number, one in lines]
        trays = [(number, one.tray) for number, one in lines]
        judged = [
            _of_its_batch(one, number, batches)
            for one, (number, _s) in zip(pairs_judge(seen), lines, strict=True)
        ]
        wrong = {tray for tray, one in zip(trays, judged, strict=True) if one.verdict in DOUBTFUL}
        judged = [
            replace(one, verdict=Pack.Verdict.IN_DOUBT) if tray in wrong and one.verdict == Pack.Verdict.PAIRED else one
            for tray, one in zip(trays, judged, strict=True)
        ]  # fmt: skip
        verdicts = Counter(str(j.verdict) for j in judged)
        manifest = Manifest.objects.create(
            file_name=name[:120], sha256=digest, lines=len(seen), paired=verdicts["paired"], known=verdicts[AGAIN],
            refused=len(seen) - verdicts["paired"] - verdicts[AGAIN], taken_at=frame.now, taken_by=by,
        )  # fmt: skip
        packs_store(by=by, seen=seen, judged=judged, manifest=manifest)
        doubted = [(s, j) for s, j, tray in zip(seen, judged, trays, strict=True) if tray in wrong]
        return Taken(manifest, verdicts, _doubts(by, name, doubted))


def _of_its_batch(judged: Judged, number: str, batches: dict[str, Batch]) -> Judged:
    """A right pair of another batch than the line says, or of one that has been posted, counts as nothing."""
    batch = batches[number]
    if judged.verdict == Pack.Verdict.PAIRED and (
        judged.batch_id != batch.pk or batch.dispatched_on is not None
    ):
        return replace(judged, verdict=Pack.Verdict.OTHER_BATCH)
    return judged


def _doubts(by: User, name: str, doubted: Sequence[tuple[Seen, Judged]]) -> list[KitDoubt]:
    """The kits of every tray with a wrong pair: found in it, or asked for by its letters."""
    why = _("Letter and kit did not belong together in %(file)s.") % {"file": name[:80]}
    made: list[KitDoubt] = []
    for posted in (True, False):
        some = [(s, j) for s, j in doubted if (s.posted_on is not None) is posted]
        found = kits_of_trays(
            [j.kit_id for _s, j in some if j.kit_id], [s.round_id for s, _j in some if s.round_id]
        )
        made += doubt_kits(by=by, kit_ids=found, why=why, posted=posted)
    return made


def _batches_locked(lines: Sequence[tuple[str, Seen]]) -> dict[str, Batch]:
    numbers = {number for number, _one in lines}
    rows = (
        Batch.objects.filter(number__in=numbers).order_by("pk").select_for_update(of=("self",), no_key=True)
    )
    batches = {batch.number: batch for batch in rows}
    for number, one in lines:
        if number not in batches:
            raise _wrong(one.line, _("there is no batch “%(number)s”") % {"number": number[:20]})
        if one.posted_on is not None and one.posted_on < batches[number].opened_on:
            raise _wrong(one.line, _("it cannot have left before its batch was opened"))
    return batches


def _wrong(line: int, words: str) -> RoundbookError:
    where = _("Line %(line)s: ") % {"line": line} if line else ""
    return RoundbookError("manifest_wrong", _("%(where)s%(words)s. Nothing was taken.") % {"where": where, "words": words}, line=line)  # fmt: skip


def _lines(content: bytes, frame: Acting) -> list[tuple[str, Seen]]:
    """(batch number, pack) of every line, its token resolved; refuses the file at its first wrong line."""
    if len(content) > MOST_BYTES:
        raise _wrong(0, _("the file is larger than 8 megabytes"))
    if content.count(b"\n") + content.count(b"\r") > 2 * MOST_LINES + 2:
        raise _wrong(0, _("a file has 1 to 60,000 packs"))
    try:
        rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig")), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise _wrong(0, _("this is no CSV file in UTF-8")) from error
    if not rows or tuple(cell.strip() for cell in rows[0]) != MANIFEST_COLUMNS:
        raise _wrong(1, _("the columns are: %(columns)s") % {"columns": ", ".join(MANIFEST_COLUMNS)})
    body = [(n, [cell.strip() for cell in row]) for n, row in enumerate(rows[1:], start=2) if any(row)]
    if not body or len(body) > MOST_LINES:
        raise _wrong(0, _("a file has 1 to 60,000 packs"))
    return _seen(body, frame)


def _seen(body: Sequence[tuple[int, list[str]]], frame: Acting) -> list[tuple[str, Seen]]:
    short = next((n for n, cells in body if len(cells) != len(MANIFEST_COLUMNS)), None)
    if short is not None:
        raise _wrong(short, _("it has not five cells"))
    rounds = rounds_of_tokens([cells[2].upper() for _n, cells in body])
    found = []
    for n, (batch, tray, letter, kit, posted) in body:
        try:
            serial, day = serial_read(kit), date.fromisoformat(posted) if posted else None
        except SerialError as error:
            raise _wrong(n, str(error.sentence).rstrip(".")) from error
        except ValueError as error:
            raise _wrong(n, _("“%(day)s” is no day as 2026-06-17") % {"day": posted[:20]}) from error
        if day is not None and day > frame.today:
            raise _wrong(n, _("a pack cannot have left on a day to come"))
        token = letter.upper()
        found.append((batch, Seen(rounds.get(token), serial, token, tray, day, n)))
    return found


def batch_letters_preview(*, by: User, batch: Batch, round_ids: Sequence[int]) -> Rendered:
    """Some invitations of a batch exactly as they will be written, as one document marked as a preview, before its release.

    What is not planned yet is planned and taken back whole. A letter that cannot be written is not in it: `batch_unwritten`
    tells whose. RoundbookError, in words, where nobody's letter can be written.
    """
    written = letters_tried(by=by, round_ids=round_ids).written
    if not written:
        raise RoundbookError(
            "no_preview", _("No letter would go out by itself: it is held for a person, or stopped.")
        )
    sheets = [Sheet(MARK, one["version"], one["context"], one["checksum"]) for one in written]
    return letters_render(sheets, title=_("Preview"))
