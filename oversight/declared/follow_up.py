"""What happens after a result at or above: referral, contact, examination."""

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from oversight.figures import COHORT
from oversight.indicators import UP, Indicator, Level
from oversight.rollup.measures import EXAMINED_DAYS

OF_HIGH = _("Out of: rounds whose deciding result, released in the period, is at or above the cutoff.")
EUROPE = _("European guidelines for quality assurance, 2010")
LEVELS = {
    31: (Level("90", "95", EUROPE),),
    90: (),
    180: (Level("85", "85", _("Canada, follow-up colonoscopy within 180 days"), seen=True),),
    365: (Level("85", "90", EUROPE),),
}


def _examined(days: int) -> Indicator:
    return Indicator(
        key=f"examined_{days}",
        group="follow_up",
        name=format_lazy(_("Examined within {d} days"), d=days),
        sentence=format_lazy(_("were examined within {d} days of their result"), d=days),
        numerator=format_lazy(
            _("Counted: people examined (colonoscopy or CT colonography, complete or not) within {d} days."),
            d=days,
        ),
        denominator=OF_HIGH,
        anchor="released",
        top=f"examined_{days}",
        bottom="high",
        basis=COHORT,
        window_days=days,
        start="high",
        matures=format_lazy(_("Complete when {d} days have passed since everybody's result."), d=days),
        direction=UP,
        rule="R13",
        levels=LEVELS[days],
    )


DECLARED = (
    Indicator(
        key="referred", group="follow_up", name=_("Referred"), sentence=_("were referred for examination"),
        numerator=_("Counted: of those, rounds with a referral."), denominator=OF_HIGH, anchor="released",
        top="referred", bottom="high", basis=COHORT, window_days=0, start="high",
        matures=_("Complete at once: a result at or above opens its referral in the same moment."), direction=UP,
        levels=(Level("90", "95", EUROPE),),
    ),
    Indicator(
        key="spoken_7", group="follow_up", name=_("Spoken with within 7 days"),
        sentence=_("were spoken with within 7 days of their result"),
        numerator=_("Counted: of those, people somebody spoke with within 7 days of the release."), denominator=OF_HIGH,
        anchor="released", top="spoken_7", bottom="high", basis=COHORT, window_days=7, start="high",
        matures=_("Complete when 7 days have passed since everybody's result."), direction=UP,
    ),
    *(_examined(days) for days in EXAMINED_DAYS),
    Indicator(
        key="conclusive_365", group="follow_up", name=_("Examined completely"),
        sentence=_("had an examination that was complete and well prepared"),
        numerator=_("Counted: people with at least one complete, adequately prepared examination so far."),
        denominator=OF_HIGH, anchor="released", top="conclusive", bottom="high", basis=COHORT, window_days=365,
        start="high", matures=_("Complete when 365 days have passed since everybody's result."), direction=UP, rule="R13",
    ),
)  # fmt: skip
