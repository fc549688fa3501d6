"""How a sentence about a figure begins, by what it is out of."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from oversight.figures import MEAN
from oversight.indicators import Indicator

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

PATTERNS: "Mapping[tuple[str, str], StrOrPromise]" = {
    ("invited", ""): gettext_lazy("Of %(n)s people invited from %(since)s to %(until)s, %(share)s %(what)s."),
    ("arrived", ""): gettext_lazy("Of %(n)s people whose kit came back from %(since)s to %(until)s, %(share)s %(what)s."),
    ("arrived", "kits"): gettext_lazy("Of %(n)s kits of people whose first came back from %(since)s to %(until)s, %(share)s %(what)s."),
    ("arrived", "replaced"): gettext_lazy(
        "Of %(n)s people with a rejected kit, whose first came back from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", ""): gettext_lazy(
        "Of %(n)s colonoscopies of people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", "with_scope"): gettext_lazy("Of %(n)s people first examined from %(since)s to %(until)s, %(share)s %(what)s."),
    ("examined", "removed"): gettext_lazy(
        "Of %(n)s lesions removed from people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", "removals"): gettext_lazy(
        "Of %(n)s colonoscopies with a removal, of people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", "pots"): gettext_lazy(
        "Of %(n)s lesions sent to pathology from people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("examined", "told"): gettext_lazy(
        "Of %(n)s lesions with histology, from people first examined from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("released", ""): gettext_lazy(
        "Of %(n)s people with a usable result released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("released", "high"): gettext_lazy(
        "Of %(n)s people at or above whose result was released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("released", "examined"): gettext_lazy(
        "Of %(n)s people examined after a result released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("released", "then_examined"): gettext_lazy(
        "Of %(n)s people assessed and examined after a result released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("people", ""): gettext_lazy("Of %(n)s people there were to be reached by %(until)s, %(share)s %(what)s."),
    ("fell_due", ""): gettext_lazy(
        "Of %(n)s people invited before, whose next round fell due from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("planned", ""): gettext_lazy(
        "Of %(n)s surveillance examinations planned for a day from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("cancers", ""): gettext_lazy("Of %(n)s cancers diagnosed from %(since)s to %(until)s, %(share)s %(what)s."),
    ("cancers", "person_years"): gettext_lazy(
        "In %(n)s person-years after a result below the cutoff, from %(since)s to %(until)s, %(what)s: %(share)s."
    ),
    ("cancers", "found_staged"): gettext_lazy(
        "Of %(n)s cancers found by the programme whose stage is known, diagnosed from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("cancers", "missed_staged"): gettext_lazy(
        "Of %(n)s interval cancers whose stage is known, diagnosed from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("cancers", "untested_staged"): gettext_lazy(
        "Of %(n)s cancers in people never tested whose stage is known, diagnosed from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("cancers", "treated"): gettext_lazy(
        "Of %(n)s cancers whose treatment has begun, diagnosed from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("followed", ""): gettext_lazy(
        "Of %(n)s cancers in people with a result released from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("told", "complaints_invited"): gettext_lazy(
        "Of %(n)s people invited in the months complaints were told for, from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("told", "calls"): gettext_lazy(
        "Of %(n)s telephone calls told for months from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("told", "reports"): gettext_lazy(
        "Of %(n)s pathology reports told for months from %(since)s to %(until)s, %(share)s %(what)s."
    ),
    ("told", ""): gettext_lazy(
        "In %(n)s person-years of all residents, told for months from %(since)s to %(until)s, %(what)s: %(share)s."
    ),
}  # fmt: skip
"""How a sentence begins: kind of cell, and denominator (or "" for every other one)."""


def pattern_of(indicator: Indicator) -> str:
    """How a sentence about this denominator begins."""
    if indicator.unit == MEAN:
        return _("%(what)s, over %(n)s from %(since)s to %(until)s: %(share)s.")
    return str(PATTERNS.get((indicator.anchor, indicator.bottom)) or PATTERNS[indicator.anchor, ""])
