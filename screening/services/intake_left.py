"""Kits that were scanned from a delivery and are logged nowhere: undone, taken out, or refused while another waited."""

from screening.models import Delivery, Kit, Return, Scan, SessionMode
from screening.services.intake_cards import Heard, understand
from screening.services.intake_verdicts import OTHER_KIT


def kits_left(delivery: Delivery) -> list[str]:
    """Their serials. Each lies somewhere on the desk: scan it again, or say why it is not there."""
    scans = Scan.objects.filter(session__delivery=delivery).exclude(session__mode=SessionMode.PRACTICE)
    refused = {understand(raw) for raw in scans.filter(code=OTHER_KIT).values_list("raw", flat=True)}
    told = {one.value for one in refused if one.kind is Heard.SERIAL}
    seen = set(scans.filter(kit__isnull=False).values_list("kit", flat=True))
    seen |= set(Kit.objects.filter(serial__in=told).values_list("pk", flat=True))
    logged = Return.objects.filter(kit__in=seen).exclude(state="undone").values("kit")
    return sorted(Kit.objects.filter(pk__in=seen).exclude(pk__in=logged).values_list("serial", flat=True))
