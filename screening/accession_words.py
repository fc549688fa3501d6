"""The reasons and remarks of accession, each with its sentence: what is the matter and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING

from django.utils.functional import Promise
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


class Reason(StrEnum):
    """Why a return goes where it goes; ``FIT`` for one that is accepted."""

    FIT = "fit"
    NOT_OURS = "not_ours"
    UNKNOWN_SERIAL = "unknown_serial"
    ALREADY_LOGGED = "already_logged"
    DIED = "person_died"
    LOT_QUARANTINED = "lot_quarantined"
    IDENTITY_IN_DOUBT = "identity_in_doubt"
    NOT_ASSIGNED = "kit_not_assigned"
    NOT_DISPATCHED = "kit_not_dispatched"
    ARRIVAL_DAY_WRONG = "arrival_day_wrong"
    WAS_UNDELIVERED = "kit_was_undelivered"
    TWO_VIALS = "two_vials"
    EMPTY = "empty"
    NAME_CHECK_OWED = "name_check_owed"
    OTHER_NAME = "other_name"
    SWAP_SUSPECTED = "swap_suspected"
    OTHER_BIRTH_DATE = "other_birth_date"
    NAME_ILLEGIBLE = "name_illegible"
    NO_NAME = "no_name"
    OPTED_OUT = "opted_out"
    IN_FOLLOW_UP = "in_follow_up"
    RESULT_ALREADY = "result_already"
    OTHER_KIT_IN = "other_kit_in"
    ROUND_CLOSED = "round_closed"
    LEAKING = "leaking"
    LEAKED_OUT = "leaked_out"
    OVER_FULL = "over_full"
    CLEAN_STICK = "clean_stick"
    BUFFER_LOST = "buffer_lost"
    DAMAGED = "damaged"
    NO_DATE_KEYED = "no_date_keyed"
    BEFORE_DISPATCH = "before_dispatch"
    OTHER_MONTH = "other_month"
    IMPOSSIBLE_DATE = "impossible_date"
    FUTURE_DATE = "future_date"
    EXPIRED = "expired"
    UNDATED = "undated"
    UNDATED_REFUSED = "undated_refused"
    OVER_AGE = "over_age"


class Remark(StrEnum):
    """What is noted beside a verdict."""

    ROUND_HAD_CLOSED = "round_had_closed"
    NEWER_ROUND_OPEN = "newer_round_open"
    KIT_WAS_VOIDED = "kit_was_voided"
    KIT_WAS_LOST = "kit_was_lost"
    REPLACEMENT_KIT = "replacement_kit"
    NAMED_BY_ENVELOPE = "named_by_envelope"
    VISIBLE_BLOOD = "visible_blood"
    NOTE_ENCLOSED = "note_enclosed"
    UNDATED_WORST_CASE = "undated_worst_case"
    LAST_DAYS = "last_days"
    ONLY_HIGH_COUNTS = "only_high_counts"
    REPLACEMENTS_USED_UP = "replacements_used_up"


REASON_SENTENCES: dict[Reason, StrOrPromise] = {
    Reason.FIT: _("Accepted. Put it in the rack."),
    Reason.NOT_OURS: _("Not one of our kits. Put it in the 'not ours' tray."),
    Reason.UNKNOWN_SERIAL: _("No kit with this serial is in the book. Put it aside and tell the office."),
    Reason.ALREADY_LOGGED: _("This kit is already logged. Nothing was counted twice."),
    Reason.DIED: _("This person has died. Do not test and do not ring the home; put it aside."),
    Reason.LOT_QUARANTINED: _("The lot of this kit is quarantined. Put it aside for the laboratory lead."),
    Reason.IDENTITY_IN_DOUBT: _("It is in doubt whose kit this is. Put it aside; a fresh kit is sent."),
    Reason.NOT_ASSIGNED: _("This kit was never given to anyone. Put it aside and tell the office."),
    Reason.NOT_DISPATCHED: _("By our records this kit has not left us. Put it aside and tell the office."),
    Reason.ARRIVAL_DAY_WRONG: _(
        "This kit left us after the day this delivery is said to have arrived, so that arrival day must be wrong. "
        "Scan UNDO, and record the delivery again with its right day."
    ),
    Reason.WAS_UNDELIVERED: _(
        "This kit had come back undelivered. Find out who used it before it is tested."
    ),
    Reason.TWO_VIALS: _("Two vials in one envelope. Keep them together as a pair and put both aside."),
    Reason.EMPTY: _("There is no vial to test. A new kit is sent where one is still wanted."),
    Reason.NAME_CHECK_OWED: _("The name has not been compared yet. Keep it in the rack for name checks."),
    Reason.OTHER_NAME: _("The label bears another name. Put it aside; the person is phoned."),
    Reason.SWAP_SUSPECTED: _(
        "Another name, and somebody in the same household has a kit too. Hold both kits."
    ),
    Reason.OTHER_BIRTH_DATE: _("The birth date on the label differs. Put it aside; the person is phoned."),
    Reason.NAME_ILLEGIBLE: _("The name cannot be read. Put it aside; the person is phoned."),
    Reason.NO_NAME: _("There is no name on the label. Put it aside; the person is phoned."),
    Reason.OPTED_OUT: _("This person had opted out. Put it aside; phone to ask whether to test."),
    Reason.IN_FOLLOW_UP: _("This person is already in follow-up. Put it aside for the coordinator."),
    Reason.RESULT_ALREADY: _("This round already has its result. Put it aside for the laboratory lead."),
    Reason.OTHER_KIT_IN: _("Another kit of this round is in. Keep this one until that one is measured."),
    Reason.ROUND_CLOSED: _("The round of this kit is closed. Put it aside for the coordinator."),
    Reason.LEAKING: _(
        "The kit leaks. Bag it and put it aside; look at the liquid level and at its neighbours."
    ),
    Reason.LEAKED_OUT: _("Too little liquid is left. A new kit is sent."),
    Reason.OVER_FULL: _("There is too much stool in the vial. A new kit is sent with the picture card."),
    Reason.CLEAN_STICK: _("There is no stool on the stick. A new kit is sent."),
    Reason.BUFFER_LOST: _("The vial was opened or its liquid spilled. A new kit is sent."),
    Reason.DAMAGED: _("The kit is damaged or was opened on its way. Put it aside for the laboratory."),
    Reason.NO_DATE_KEYED: _("No collection day was keyed. Key the day on the label, or scan NO DATE."),
    Reason.BEFORE_DISPATCH: _(
        "The day on the label is before the kit left us. Put it aside; ask the person."
    ),
    Reason.OTHER_MONTH: _("The label says another month. Put it aside and enter the full date."),
    Reason.IMPOSSIBLE_DATE: _("The day on the label does not exist. Put it aside; ask the person."),
    Reason.FUTURE_DATE: _("The day on the label is still to come. Put it aside; ask the person."),
    Reason.EXPIRED: _("The kit may have been used after its expiry. A new kit is sent."),
    Reason.UNDATED: _("There is no date and the sample may be too old. Put it aside; ask the person."),
    Reason.UNDATED_REFUSED: _("There is no date on the label. A new kit is sent."),
    Reason.OVER_AGE: _(
        "The sample is too old to be measured. A new kit is sent with an apology for the post."
    ),
}

REMARK_SENTENCES: dict[Remark, StrOrPromise] = {
    Remark.ROUND_HAD_CLOSED: _("The round had closed; it opens again."),
    Remark.NEWER_ROUND_OPEN: _("A newer round is open; this sample counts for its own."),
    Remark.KIT_WAS_VOIDED: _("This kit had been voided; its sample still counts."),
    Remark.KIT_WAS_LOST: _("This kit had been reported lost."),
    Remark.REPLACEMENT_KIT: _("This is a replacement kit."),
    Remark.NAMED_BY_ENVELOPE: _("Named by its envelope, the only kit out at that address."),
    Remark.VISIBLE_BLOOD: _("Blood can be seen: the laboratory looks out for a false low reading."),
    Remark.NOTE_ENCLOSED: _("A note is enclosed; it goes to the phone desk today."),
    Remark.UNDATED_WORST_CASE: _("No date; judged from the day the kit left us."),
    Remark.LAST_DAYS: _("Only days are left to measure it; rack it in front."),
    Remark.ONLY_HIGH_COUNTS: _("Only a result at or above the cutoff counts; otherwise a new kit is sent."),
    Remark.REPLACEMENTS_USED_UP: _("No replacement is left in this round; phone the person."),
}


def sentences_joined(sentences: Sequence[str | Promise]) -> StrOrPromise:
    """Several translatable sentences as one, with a space between; an empty text for none."""
    if not sentences:
        return ""
    slots = " ".join(f"{{s{n}}}" for n in range(len(sentences)))
    return format_lazy(slots, **{f"s{n}": sentence for n, sentence in enumerate(sentences)})
