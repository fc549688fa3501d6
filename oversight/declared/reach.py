"""Who there is to be reached, whether each was invited in time, and how many of all were screened."""

from django.utils.translation import gettext_lazy as _

from oversight.figures import PERIOD
from oversight.indicators import UP, Indicator, Level
from oversight.rollup.measures import LATE_INVITATION_DAYS

OF_PEOPLE = _(
    "Out of: people of the age band who were alive and lived in the area on the last reference day up to the period's end,"
    " whether or not they had opted out or were excluded. They are counted once a night."
)
AT_ONCE = _("Complete when the period is over; until then the last night's count stands for it.")

DECLARED = (
    Indicator(
        key="invitation_coverage", group="reach", name=_("Invitation coverage"), sentence=_("were invited within one interval"),
        numerator=_("Counted: of those, people invited within one interval before the reference day."), denominator=OF_PEOPLE,
        anchor="people", top="invited", bottom="people", basis=PERIOD, matures=AT_ONCE, direction=UP, rule="R13",
        levels=(Level("95", "95", _("European guidelines for quality assurance, 2010")),),
    ),
    Indicator(
        key="examination_coverage", group="reach", name=_("Examination coverage"),
        sentence=_("had a usable result within 30 months"),
        numerator=_("Counted: of those, people with a usable result within 30 months before the reference day."),
        denominator=OF_PEOPLE, anchor="people", top="screened", bottom="people", basis=PERIOD, matures=AT_ONCE, direction=UP,
        rule="R13", levels=(Level("62", "76", _("England, coverage at 60 to 74"), seen=True),),
    ),
    Indicator(
        key="interval_kept", group="reach", name=_("Interval kept"),
        sentence=_("were invited by 30 days after their interval was over"),
        numerator=_("Counted: of those, people whose next kit was sent out by 30 days after the interval was over."),
        denominator=_(
            "Out of: everybody invited before whose next round fell due in the period, including those who still wait for it. The"
            " interval runs from the later of invitation and result, after a referral to the day signed then. People who may not"
            " be invited (dead, moved away, opted out, excluded, past the age) did not fall due."
        ),
        anchor="fell_due", top="kept", bottom="n", basis=PERIOD, window_days=LATE_INVITATION_DAYS,
        matures=_("Complete when the period is over and 30 days have passed."), direction=UP, rule="R9, R13",
    ),
)  # fmt: skip
