"""The other kit of a swap: found by its serial, and only if it is somebody else's of the same household."""

from django.utils.translation import gettext_lazy as _

from screening.models import Kit, Person, Return
from screening.services.intake_cards import Words
from staff.errors import RoundbookError

VOID_FOR_SWAP = "swap suspected"


def person_of(kit: Kit) -> Person | None:
    """Whose kit it is, by the record that a merged one went into."""
    person = kit.round.person if kit.round else None
    return (person.merged_into or person) if person else None


def same_household(one: Person | None, other: Person | None) -> bool:
    """Whether these are two people at one address; an address without a postcode says nothing."""
    if one is None or other is None or one.pk == other.pk or not one.postcode:
        return False
    return (one.postcode, one.address_1) == (other.postcode, other.address_1)


def other_kit(back: Return, serial: str) -> Kit | None:
    """The other kit of a swap by its serial; None where none is named.

    RoundbookError for a serial of no other kit, and for a kit of anybody who is not of the household of this one.
    """
    if not serial:
        return None
    kits = Kit.objects.select_related("round__person__merged_into")
    other = kits.filter(serial=serial).exclude(pk=back.kit_id).first()
    if other is None:
        raise RoundbookError("other_kit_unknown", _("No other kit has this serial. Scan the other kit."))
    if not same_household(person_of(kits.get(pk=back.kit_id)), person_of(other)):
        raise RoundbookError(
            "other_kit_not_of_household",
            _(
                "Kit %(other)s is of nobody else at the address of kit %(kit)s, so nothing was saved. Compare its serial "
                "with the kits under “Same address”. If it was swapped with somebody who lives elsewhere, "
                "leave this field empty and tell the medical lead."
            )
            % {"other": other.serial, "kit": back.kit.serial},
        )
    return other


def swap_in_words(back: Return, serial: str) -> Words:
    """What a swap that is saved came to, with the serials of both kits."""
    both = {"kit": back.kit.serial, "other": serial}
    if not serial:
        return _("Saved: %(kit)s is unsuitable. No other kit was named.") % both
    if Return.objects.filter(kit__serial=serial, state="unsuitable").exists():
        return _("Saved: %(kit)s and %(other)s are unsuitable. Neither is tested.") % both
    return _("Saved: %(kit)s is unsuitable. %(other)s is not back; it is stopped when it comes.") % both
