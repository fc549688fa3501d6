"""One order for the locks of the post: session, kits by number, rounds by number, returns, trays.

Whoever takes more than one of them takes them in this order, so that two desks wait for each other and never in a ring.
"""

from collections.abc import Collection

from screening.models import Kit, Return, Round
from screening.services.intake_effects import KitFacts
from screening.services.intake_sql import kits_read


def kits_lock(kit_ids: Collection[int]) -> None:
    """Lock these kits, lowest number first; take it before the lock of any round."""
    list(Kit.objects.filter(pk__in=kit_ids).order_by("pk").select_for_update(no_key=True).values_list("pk"))


def kits_of_round_lock(round_id: int, *more: int) -> None:
    """Lock every kit of a round, and some more, before the round itself."""
    kits_lock({*Kit.objects.filter(round_id=round_id).values_list("pk", flat=True), *more})


def round_lock(round_id: int | None) -> Round | None:
    """The round under lock, after its kits; None where there is none."""
    return Round.objects.select_for_update(of=("self",), no_key=True).filter(pk=round_id or 0).first()


def return_lock(return_id: int, *other_serials: str) -> tuple[Return, dict[str, KitFacts]]:
    """The return under lock after its kit, the round of that and those of other serials, with the facts of each kit by serial.

    Return.DoesNotExist where there is none.
    """
    serial = Return.objects.values_list("kit__serial", flat=True).get(pk=return_id)
    facts = kits_read(sorted({serial, *(one for one in other_serials if one)}))
    rows = Return.objects.select_for_update(of=("self",), no_key=True).select_related("kit__round")
    return rows.get(pk=return_id), facts
