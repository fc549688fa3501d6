"""Positivity and its ladder."""

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from oversight.figures import PERIOD
from oversight.indicators import NEITHER, Indicator
from oversight.rollup.measures import LADDER

OF_RESULTS = _("Out of: rounds with a usable result, by the day their deciding result was released.")
WHEN_OVER = _("Complete when the period is over.")


def _step(cutoff: int) -> Indicator:
    return Indicator(
        key=f"ladder_{cutoff}",
        group="positivity",
        name=format_lazy(_("At or above {c} µg/g"), c=cutoff),
        sentence=format_lazy(_("had {c} µg/g or more"), c=cutoff),
        numerator=format_lazy(
            _("Counted: rounds whose deciding result, as reported, is {c} µg/g or more."), c=cutoff
        ),
        denominator=_(
            "Out of: rounds with a usable result that is a number, by the day it was released. Results that are only"
            " yes or no are left out."
        ),
        anchor="released",
        top=f"ge_{cutoff}",
        bottom="valued",
        basis=PERIOD,
        matures=WHEN_OVER,
        rule="R4",
    )


DECLARED = (
    Indicator(
        key="positivity", group="positivity", name=_("Positivity"), sentence=_("were at or above the cutoff"),
        numerator=_("Counted: rounds whose deciding result is at or above the cutoff in force for that person."),
        denominator=OF_RESULTS, anchor="released", top="high", bottom="n", basis=PERIOD, matures=WHEN_OVER,
        direction=NEITHER, rule="R4, R10",
    ),
    *(_step(cutoff) for cutoff in LADDER),
    Indicator(
        key="unsure_cutoff", group="positivity", name=_("Judged by the lowest cutoff for want of sex or age"),
        sentence=_("were judged by the lowest cutoff because sex or age is not known"),
        numerator=_("Counted: rounds whose person's sex or age was unknown at invitation."),
        denominator=OF_RESULTS, anchor="released", top="unsure", bottom="n", basis=PERIOD, matures=WHEN_OVER, rule="R10",
    ),
)  # fmt: skip
