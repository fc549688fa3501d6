"""Cancers: what the test found and missed, at which stage, and how soon treatment began."""

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from oversight.figures import COHORT, PER_10000_YEARS, PERIOD
from oversight.indicators import DOWN, UP, Indicator, Level

WHEN_REPORTED = _(
    "Complete when the period is over and two years have passed: registries report cancers 6 to 24 months late."
)
LATE_DAYS = 730
"""Cancers are linked from a registry 6 to 24 months late. Source: job 2.18."""
OF_SCREENED = _(
    "Out of: cancers diagnosed in the period that were found by the programme (at an examination after a result at or above,"
    " or reported while the referral was open), and interval cancers."
)
AN_INTERVAL_CANCER = _(
    "An interval cancer is one reported to us, diagnosed after a result below the cutoff and before the next test was due;"
    " a cancer after a result at or above without a complete examination is not one."
)


def _stage(whom: str, name: object) -> Indicator:
    """The share of stages I and II among cancers of one kind whose stage is known."""
    return Indicator(
        key=f"early_{whom}", group="cancers", name=name, sentence=_("were stage I or II"),  # type: ignore[arg-type]
        numerator=_("Counted: of those, stage I or II."),
        denominator=format_lazy(
            "{} {}", _("Out of: reported cancers of this kind, diagnosed in the period, whose stage is known."), AN_INTERVAL_CANCER,
        ),
        anchor="cancers", top=f"{whom}_early", bottom=f"{whom}_staged", basis=PERIOD, window_days=LATE_DAYS, matures=WHEN_REPORTED,
        direction=UP,
    )  # fmt: skip


DECLARED = (
    Indicator(
        key="sensitivity", group="cancers", name=_("Programme sensitivity"), sentence=_("were found by the programme"),
        numerator=_("Counted: of those, cancers found by the programme."),
        denominator=format_lazy("{} {}", OF_SCREENED, AN_INTERVAL_CANCER), anchor="cancers", top="found", bottom="screened",
        basis=PERIOD, window_days=LATE_DAYS, matures=WHEN_REPORTED, direction=UP,
    ),
    Indicator(
        key="sensitivity_cohort", group="cancers", name=_("Programme sensitivity, by cohort"),
        sentence=_("were found after the result, not missed by it"),
        numerator=_("Counted: of those, cancers found at an examination after a result at or above."),
        denominator=format_lazy(
            "{} {}", _("Out of: cancers of people with a result released in the period: found at an examination after it, or interval"
                       " cancers whose last test it was."), AN_INTERVAL_CANCER,
        ),
        anchor="followed", top="found", bottom="whole", basis=COHORT, window_days=2 * LATE_DAYS, start="usable",
        matures=_("Complete four years after everybody's result: two until the next test is due, two for late reports."),
        direction=UP,
    ),
    Indicator(
        key="interval_proportion", group="cancers", name=_("Interval cancers, share"),
        sentence=_("were interval cancers after a result below the cutoff"),
        numerator=_("Counted: of those, interval cancers."), denominator=format_lazy("{} {}", OF_SCREENED, AN_INTERVAL_CANCER),
        anchor="cancers", top="missed", bottom="screened", basis=PERIOD, window_days=LATE_DAYS, matures=WHEN_REPORTED,
        direction=DOWN,
    ),
    Indicator(
        key="interval_rate", group="cancers", name=_("Interval cancers per 10,000 person-years"),
        sentence=_("interval cancers arose"), numerator=format_lazy("{} {}", _("Counted: interval cancers."), AN_INTERVAL_CANCER),
        denominator=_(
            "Out of: person-years of people with a result below the cutoff, from the middle of the result's month until the next"
            " test was due, as far as they lie in the period. Who died or moved away meanwhile is not taken off."
        ),
        anchor="cancers", top="missed", bottom="person_years", basis=PERIOD, window_days=LATE_DAYS, matures=WHEN_REPORTED,
        unit=PER_10000_YEARS, direction=DOWN,
    ),
    _stage("found", _("Stage I or II, found by the programme")),
    _stage("missed", _("Stage I or II, interval cancers")),
    _stage("untested", _("Stage I or II, people never tested")),
    Indicator(
        key="treated_31", group="cancers", name=_("Treatment begun within 31 days"),
        sentence=_("were treated from within 31 days of the diagnosis"),
        numerator=_("Counted: of those, treatment begun within 31 days of the diagnosis."),
        denominator=_("Out of: cancers found by the programme and interval cancers, diagnosed in the period, whose first day of"
                      " treatment is known."),
        anchor="cancers", top="treated_31", bottom="treated", basis=PERIOD, window_days=LATE_DAYS, matures=WHEN_REPORTED,
        direction=UP, levels=(Level("90", "95", _("European guidelines for quality assurance, 2010")),),
    ),
)  # fmt: skip
