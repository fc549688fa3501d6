"""The indicators a programme is judged by: one declaration each, from which SQL, page, command and words come."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from oversight.figures import COHORT, PERIOD

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

RESULT_DAYS = 30
"""Days after the window within which the usable result must be there (ruling R13)."""

OF_INVITED = _(
    "Out of: rounds of people invited in the period, counted once when postponed and invited again. Those whose"
    " letter could not be delivered are counted; rounds from outside the invitation batches are shown apart."
)
OF_REACHABLE = _(
    "Out of: the same rounds, without those that could not be delivered and those found excluded, dead, moved away"
    " or superseded before they took part."
)


@dataclass(frozen=True, slots=True)
class Indicator:
    """One indicator: what is counted over what, on which basis, in which window, and when it is complete."""

    key: str
    name: "StrOrPromise"
    sentence: "StrOrPromise"
    numerator: "StrOrPromise"
    denominator: "StrOrPromise"
    basis: str
    window_days: int | None
    matures: "StrOrPromise"
    rule: str

    @property
    def lines(self) -> "list[StrOrPromise]":
        """The definition in lines, for the page."""
        return [self.numerator, self.denominator, self.matures]


def _uptake(days: int, *, adjusted: bool) -> Indicator:
    words = {
        (90, False): (
            _("Uptake, 90 days"),
            _("sent a kit back within 90 days of dispatch and have a usable result"),
        ),
        (180, False): (
            _("Uptake, 180 days"),
            _("sent a kit back within 180 days of dispatch and have a usable result"),
        ),
        (90, True): (
            _("Uptake, 90 days, adjusted"),
            _("sent a kit back within 90 days and have a usable result, of those who could be reached"),
        ),
        (180, True): (
            _("Uptake, 180 days, adjusted"),
            _("sent a kit back within 180 days and have a usable result, of those who could be reached"),
        ),
    }
    name, sentence = words[days, adjusted]
    return Indicator(
        key=f"uptake_{days}{'_adjusted' if adjusted else ''}",
        name=name,
        sentence=sentence,
        numerator=_(
            "Counted: a kit of the round arrived within the window after the first dispatch, and the round's first"
            " usable result was released by 30 days after the window and still stands."
        ),
        denominator=OF_REACHABLE if adjusted else OF_INVITED,
        basis=COHORT,
        window_days=days,
        matures=_("Complete when everybody's window and the 30 days after it have passed."),
        rule="R13",
    )


INDICATORS: dict[str, Indicator] = {
    one.key: one
    for one in (
        _uptake(90, adjusted=False),
        _uptake(180, adjusted=False),
        _uptake(90, adjusted=True),
        _uptake(180, adjusted=True),
        Indicator(
            key="positivity",
            name=_("Positivity"),
            sentence=_("were at or above the cutoff"),
            numerator=_(
                "Counted: rounds whose deciding result is at or above the cutoff in force for that person."
            ),
            denominator=_(
                "Out of: rounds with a usable result, by the day their deciding result was released."
            ),
            basis=PERIOD,
            window_days=None,
            matures=_("Complete when the period is over."),
            rule="R4, R10",
        ),
        Indicator(
            key="positivity_cohort",
            name=_("Positivity of those invited"),
            sentence=_("were at or above the cutoff"),
            numerator=_("Counted: of those, the rounds whose deciding result is at or above the cutoff."),
            denominator=_("Out of: rounds invited in the period that count as uptake within 90 days."),
            basis=COHORT,
            window_days=90,
            matures=_("Complete when everybody's window and the 30 days after it have passed."),
            rule="R13",
        ),
        Indicator(
            key="examined_90",
            name=_("Examined within 90 days"),
            sentence=_("were examined within 90 days of their result"),
            numerator=_(
                "Counted: people examined (colonoscopy or CT colonography, complete or not) within 90 days."
            ),
            denominator=_(
                "Out of: rounds whose deciding result, released in the period, is at or above the cutoff."
            ),
            basis=COHORT,
            window_days=90,
            matures=_("Complete when 90 days have passed since everybody's result."),
            rule="R13",
        ),
    )
}

BREAKDOWNS: "dict[str, StrOrPromise]" = {
    "month": _("month"),
    "sex": _("sex"),
    "age": _("five-year age"),
    "area": _("area"),
}
"""How figures are cut: key → words."""
