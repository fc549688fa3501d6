"""Builders for the packing tests: a released batch whose invitations lie printed beside its kits."""

from outreach.models import PrintedLetter
from outreach.services.freezing import letters_freeze
from outreach.services.packs import MANIFEST_COLUMNS
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_make
from screening.models import Batch, Kit, Lot, ScreeningPolicy
from screening.services.batches import batch_open, kits_stock
from staff.acting import acting
from tests import cast, factories


def a_printed_batch(size: int, *, every: int = 200, **facts: object) -> Batch:
    """A batch of so many people in one area, its letters printed; pairs have to be proven before it is posted."""
    desk = cast.member(cast.PHONE_DESK)
    with acting(cast.member(cast.ADMINISTRATOR)):
        ScreeningPolicy.objects.update(pairs_proven=True, pack_check_every=every)
    kits_stock(
        by=cast.member(cast.ADMINISTRATOR),
        lot=Lot.objects.get(code="KL002"),
        first_number=1001,
        count=size + 20,
    )
    for _ in range(size):
        factories.a_person(**facts)
    batch = batch_open(by=desk, size=size)
    letters_plan(by=desk)
    letters_freeze(by=desk)
    print_run_make(by=desk, kind="invitation", limit=size)
    return batch


def pairs_of(batch: Batch) -> list[tuple[str, str]]:
    """(token of the letter, serial of its kit) of everybody, in the order of the kits."""
    rows = PrintedLetter.objects.filter(letter__round__batch=batch).order_by("letter__kit__serial")
    return list(rows.values_list("token", "letter__kit__serial"))


def kits_of(batch: Batch) -> list[Kit]:
    """The kits a batch was opened with, in order."""
    return list(Kit.objects.filter(round__batch=batch, ordinal=1).select_related("round").order_by("serial"))


def a_manifest(batch: Batch, pairs: list[tuple[str, str]], *, tray: int = 0, posted: str = "") -> bytes:
    """The contractor's file of these pairs; `tray` packs a tray, 0: none is named."""
    lines = [",".join(MANIFEST_COLUMNS)]
    for n, (token, serial) in enumerate(pairs):
        name = f"T{n // tray + 1}" if tray else ""
        lines.append(f"{batch.number},{name},{token},{serial},{posted}")
    return ("\r\n".join(lines) + "\r\n").encode()
