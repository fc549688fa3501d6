"""Where an invited person can stand in the flow, and what made a figure change, in words; pure."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

PLACE_WORDS: "Mapping[str, StrOrPromise]" = {
    "kit_due": _("waiting for a kit to be sent"),
    "kit_out": _("kit is with the person"),
    "laboratory": _("kit came back, result awaited"),
    "below": _("result below: back to screening later"),
    "to_reach": _("at or above: not spoken with yet"),
    "to_examine": _("at or above: spoken with, not examined yet"),
    "to_conclude": _("examined, next step not signed yet"),
    "concluded_examined": _("examined, next step signed"),
    "concluded_other": _("follow-up ended without an examination here"),
    "not_returned": _("no kit came back"),
    "declined": _("declined"),
    "undeliverable": _("could not be delivered"),
    "no_usable_sample": _("no usable sample"),
    "postponed": _("postponed"),
    "left": _("excluded, dead, moved away or superseded"),
    "withdrawn": _("result withdrawn"),
}
CAUSE_WORDS: "Mapping[str, StrOrPromise]" = {
    "open": _("people invited"),
    "kit_sent": _("kits handed to the post"),
    "kit_back": _("kits that came back"),
    "return_log": _("kits that came back"),
    "return_undo": _("a scan that was undone"),
    "kit_back_undone": _("a scan that was undone"),
    "return_reject": _("samples that could not be used"),
    "unsuitable": _("samples that could not be used"),
    "late_kit": _("kits that came back after closing"),
    "released": _("results released"),
    "below": _("results released"),
    "at_or_above": _("results released"),
    "result_changed": _("results amended, replaced or withdrawn"),
    "withdraw": _("results amended, replaced or withdrawn"),
    "raise": _("results amended, replaced or withdrawn"),
    "close": _("rounds closed"),
    "undelivered": _("letters that came back undelivered"),
    "corrected": _("corrections of sex, age, area or dates"),
    "referred": _("referrals"),
    "contact": _("people spoken with"),
    "assessed": _("assessments"),
    "examined": _("examinations entered"),
    "finding": _("findings computed or signed"),
    "lesion": _("lesions entered"),
    "histology": _("histology entered"),
    "death": _("deaths entered or corrected"),
    "harm": _("adverse events entered or judged"),
    "letter": _("letters handed over"),
    "history": _("changes in another round of the same people"),
}
