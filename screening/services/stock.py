"""Receiving kits: a lot as it came from the maker and the serials of its kits, taken into stock."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import Max
from django.utils.translation import gettext as _

from screening.models import Kit, KitModel, Lot
from screening.serials import DEFAULT_PREFIX, SERIAL_DIGITS, SerialError, serial_make, serial_read
from screening.services.batches import kits_stock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User

MOST_KITS = 100_000


@dataclass(frozen=True, slots=True)
class Received:
    """What was taken into stock: the lot, how many kits, and the first and last serial with check character."""

    lot: Lot
    count: int
    first_serial: str
    last_serial: str


def kits_receive(
    *, by: User, kit_model: KitModel, code: str, expires_on: date, first: str, count: int
) -> Received:
    """Take kits of a lot with consecutive serials into stock; the lot is written when it is new.

    `first` is the first running number or the whole first serial. RoundbookError when the lot has expired or is in
    the book with another day, the count is out of bounds, or a serial is in the book already; then nothing is done.
    """
    code = code.strip().upper()
    if not code:
        raise RoundbookError("lot_missing", _("Type the lot as it is printed on the box."))
    if not 1 <= count <= MOST_KITS:
        raise RoundbookError(
            "count_wrong", _("Take 1 to %(most)s kits at a time.") % {"most": f"{MOST_KITS:,}"}
        )
    number = _number_read(first)
    if number + count > 10**SERIAL_DIGITS:
        raise RoundbookError("serials_out_of_range", _("Kit numbers run from 1 to 999,999,999."))
    with acting(by, reason="kits received") as frame:
        if expires_on <= frame.today:
            raise RoundbookError(
                "lot_expired",
                _("This lot has expired, so its kits cannot be sent. Look at the day on the box."),
            )
        lot, _is_new = Lot.objects.get_or_create(
            kit_model=kit_model, code=code, defaults={"expires_on": expires_on, "received_on": frame.today}
        )
        if lot.expires_on != expires_on:
            words = _(
                "Lot %(code)s is in the book and expires on %(day)s. Compare the day and the lot on the box."
            )
            raise RoundbookError(
                "lot_expiry_differs", words % {"code": code, "day": f"{lot.expires_on:%-d %B %Y}"}
            )
        received = Received(lot, count, serial_make(number), serial_make(number + count - 1))
        _refuse_known(received)
        kits_stock(by=by, lot=lot, first_number=number, count=count)
        return received


def kit_model_add(
    *, by: User, name: str, stool_mg: Decimal, buffer_ml: Decimal, lod_ug_g: Decimal, loq_ug_g: Decimal,
    upper_ug_g: Decimal, sample_age_limit_days: int, valid_from: date,
) -> KitModel:  # fmt: skip
    """Write the next version of a kit model; kits of it come with lots of that version, older lots keep theirs."""
    with acting(by, reason="kit model put in force"):
        last = KitModel.objects.filter(name=name).aggregate(n=Max("version"))["n"] or 0
        return KitModel.objects.create(
            name=name, version=last + 1, stool_mg=stool_mg, buffer_ml=buffer_ml, lod_ug_g=lod_ug_g, loq_ug_g=loq_ug_g,
            upper_ug_g=upper_ug_g, sample_age_limit_days=sample_age_limit_days, valid_from=valid_from,
        )  # fmt: skip


def _number_read(first: str) -> int:
    """The running number in what was typed or scanned: digits alone, or a whole serial."""
    text = "".join(first.split())
    if text.isascii() and text.isdigit() and len(text) <= SERIAL_DIGITS and int(text) > 0:
        return int(text)
    try:
        return int(serial_read(first)[len(DEFAULT_PREFIX) : -1])
    except SerialError as error:
        raise RoundbookError("first_serial_wrong", error.sentence) from error


def _refuse_known(received: Received) -> None:
    known = (
        Kit.objects.filter(serial__gte=received.first_serial, serial__lte=received.last_serial)
        .select_related("lot")
        .order_by("serial")
        .first()
    )
    if known is not None:
        words = _("Kit %(serial)s is in the book already, in lot %(lot)s. Compare the numbers on the box.")
        raise RoundbookError("serials_known", words % {"serial": known.serial, "lot": known.lot.code})
