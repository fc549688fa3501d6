"""What is counted straight, because its rows are few or are counted once a night already: not from cells of rounds; pure.

Each kind says which day decides its month, what its measures are in words, what it can be cut and filtered by, and what
makes it change. How it is counted stands in `oversight.services.few`, under the same name.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

NOT_CUT = ""
"""The key of counts that cannot be told apart by what a question is cut by: they stand in the total only."""


@dataclass(frozen=True, slots=True)
class Few:
    """One kind: `measures` maps each measure to how it is counted, in words; `cuts` are the filters that apply to it."""

    name: str
    day: str
    measures: "Mapping[str, StrOrPromise]"
    changes: "StrOrPromise"
    cuts: frozenset[str] = frozenset({"area", "sex", "age", "fifth"})
    counts: str = ""


FEW: Mapping[str, Few] = {
    one.name: one
    for one in (
        Few(
            "people", "reference day", changes=_("people who came, left, grew older, were invited or were screened"),
            measures={
                "people": _("people of the age band on the last reference day up to the period's end, alive and living in the area"),
                "invited": _("of them, invited within one interval before that day"),
                "screened": _("of them, with a usable result within 30 months before that day"),
            },
        ),
        Few(
            "fell_due", "day the interval was over", changes=_("people invited, or whose next day changed"),
            measures={
                "n": _("rounds whose person's interval since the round before was over in the period, and people invited before"
                       " whose next round fell due in the period and who wait for it"),
                "kept": _("of them, invited by 30 days after that day"),
            },
        ),
        Few(
            "planned", "planned day", changes=_("plans signed or changed, examinations entered, deaths"),
            measures={
                "due": _("signed surveillance examinations, the last of each referral, whose time is over or that were done; people who"
                         " died before the planned day left out"),
                "in_time": _("of them, done within three months before or after the planned day"),
            },
        ),
        Few(
            "cancers", "day of diagnosis", changes=_("cancers reported, corrected or found at an examination"),
            measures={
                "screened": _("people with a cancer found at an examination after a result at or above, or reported while their referral"
                              " was open, and people with an interval cancer"),
                "found": _("of them, found by the programme"),
                "missed": _("of them, interval cancers: reported, diagnosed after a result below the cutoff and before the next test was due"),
                "person_years": _("person-years of people with a result below the cutoff, from the middle of the result's month until the"
                                  " next test was due, as far as they lie in the period"),
                "found_staged": _("reported cancers found by the programme whose stage is known"),
                "found_early": _("of them, stage I or II"),
                "missed_staged": _("interval cancers whose stage is known"),
                "missed_early": _("of them, stage I or II"),
                "untested_staged": _("reported cancers of people never tested before whose stage is known"),
                "untested_early": _("of them, stage I or II"),
                "treated": _("cancers found by the programme and interval cancers with a known day on which treatment began"),
                "treated_31": _("of them, begun within 31 days of the diagnosis"),
            },
        ),
        Few(
            "followed", "day of the result", changes=_("results, examinations, and cancers reported since"),
            measures={
                "whole": _("people with a result released in the period in whom a cancer was found at an examination after a result at or"
                           " above, or who had an interval cancer whose last test was that result"),
                "found": _("of them, found at an examination after a result at or above"),
                "missed": _("of them, interval cancers"),
            },
        ),
        Few(
            "told", "months it was told for", changes=_("figures told or taken back, and people invited or with a result in those months"),
            cuts=frozenset(),
            measures={
                "complaints": _("complaints, in the months of the period they were told for"),
                "complaints_invited": _("people invited in the months complaints were told for"),
                "calls": _("telephone calls, in the months of the period they were told for"),
                "calls_soon": _("of them, answered within two minutes"),
                "reports": _("pathology reports, in the months of the period they were told for"),
                "forms": _("of them, on a form with fixed fields"),
                "cancer_years": _("person-years of all residents, in the months of the period new cancers were told for"),
                "cancers": _("new bowel cancers of all residents in those months"),
                "death_years": _("person-years of all residents, in the months of the period deaths were told for"),
                "deaths": _("deaths from bowel cancer of all residents in those months"),
                "cost": _("what the programme cost, in whole units of money, in the months of the period it was told for"),
                "cost_invited": _("people invited in the months the cost was told for"),
                "cost_results": _("people with a result released in those months"),
                "cost_found": _("of them, people in whom advanced neoplasia was found since"),
            },
        ),
    )
}  # fmt: skip
"""Every kind by name."""
