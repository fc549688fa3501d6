"""What happens after a result at or above: referral, contact, examination."""

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from oversight.figures import COHORT, PERIOD
from oversight.indicators import UP, Indicator, Level
from oversight.rollup.measures import EXAMINED_DAYS

OF_HIGH = _("Out of: rounds whose deciding result, released in the period, is at or above the cutoff.")
EUROPE = _("European guidelines for quality assurance, 2010")
LEVELS = {
    31: (),
    60: (Level("90", "90", _("Canada, follow-up colonoscopy within 60 days"), seen=True),),
    90: (),
    180: (Level("85", "85", _("Canada, follow-up colonoscopy within 180 days"), seen=True),),
    365: (
        Level("85", "90", EUROPE),
        Level("80", "80", _("US Multi-Society Task Force 2017, colonoscopy after a positive test")),
    ),
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
    Indicator(
        key="assessed_14", group="follow_up", name=_("Assessed within 14 days"),
        sentence=_("were assessed within 14 days of their result"),
        numerator=_("Counted: of those, people whose assessment was made within 14 days of the release."), denominator=OF_HIGH,
        anchor="released", top="assessed_14", bottom="high", basis=COHORT, window_days=14, start="high",
        matures=_("Complete when 14 days have passed since everybody's result."), direction=UP,
        levels=(Level("95", "98", _("England, first appointment with a nurse offered within 14 days")),),
    ),
    Indicator(
        key="then_examined_14", group="follow_up", name=_("Examined within 14 days of the assessment"),
        sentence=_("were examined within 14 days of their assessment"),
        numerator=_("Counted: of those, people first examined within 14 days of their first assessment."),
        denominator=_("Out of: people at or above, with a result released in the period, who were assessed and have been examined."),
        anchor="released", top="then_examined_14", bottom="then_examined", basis=COHORT, window_days=365, start="high",
        matures=_("Complete when 365 days have passed since everybody's result: who waits longest is examined last."),
        direction=UP, levels=(Level("90", "95", _("England, nurse appointment to diagnostic test within 14 days")),),
    ),
    Indicator(
        key="examined_31_share", group="follow_up", name=_("Of those examined, within 31 days"),
        sentence=_("had their examination within 31 days of the result"),
        numerator=_("Counted: of those, people examined within 31 days of the release."),
        denominator=_("Out of: people at or above, with a result released in the period, who have been examined. Who was never"
                      " examined is not in it; “Examined within 31 days” is over everybody."),
        anchor="released", top="examined_31", bottom="examined", basis=COHORT, window_days=365, start="high",
        matures=_("Complete when 365 days have passed since everybody's result: who waits longest is examined last."),
        direction=UP, levels=(Level("90", "95", EUROPE),),
    ),
    *(_examined(days) for days in EXAMINED_DAYS),
    Indicator(
        key="conclusive_365", group="follow_up", name=_("Examined completely"),
        sentence=_("had an examination that was complete and well prepared"),
        numerator=_("Counted: people with at least one complete, adequately prepared examination so far."),
        denominator=OF_HIGH, anchor="released", top="conclusive", bottom="high", basis=COHORT, window_days=365,
        start="high", matures=_("Complete when 365 days have passed since everybody's result."), direction=UP, rule="R13",
    ),
    Indicator(
        key="surveillance_on_time", group="follow_up", name=_("Surveillance on time"),
        sentence=_("were done within three months before or after the planned day"),
        numerator=_("Counted: of those, examinations done within three months before or after the planned day."),
        denominator=_("Out of: surveillance examinations that a clinician had planned for a day of the period, whose time is over or"
                      " that were done; people who died before that day are left out."),
        anchor="planned", top="in_time", bottom="due", basis=PERIOD, window_days=92,
        matures=_("Complete when the period is over and three months have passed."), direction=UP,
        levels=(Level("85", "85", _("common practice, no published source")),),
    ),
)  # fmt: skip
