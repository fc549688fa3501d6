"""Invitation, uptake and taking part again."""

from django.utils.translation import gettext_lazy as _

from oversight.figures import COHORT
from oversight.indicators import DOWN, NEITHER, UP, Indicator, Level

OF_INVITED = _(
    "Out of: rounds of people invited in the period, counted once when postponed and invited again. Those whose"
    " letter could not be delivered are counted; rounds from outside the invitation batches are shown apart."
)
OF_REACHABLE = _(
    "Out of: the same rounds, without those that could not be delivered and those found excluded, dead, moved away"
    " or superseded before they took part."
)
COUNTED = _(
    "Counted: a kit of the round arrived within the window after the first dispatch, and the round's first"
    " usable result was released by 30 days after the window and still stands."
)
MATURES = _("Complete when everybody's window and the 30 days after it have passed.")
EUROPE = _("European guidelines for quality assurance, 2010")
WORDS = {
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
LEVELS = {
    90: (Level("45", "65", EUROPE),),
    180: (
        Level("52", "60", _("England, programme standard for uptake within six months"), seen=True),
        Level("60", "60", _("Scotland, standard for uptake"), seen=True),
        Level("60", "60", _("Canada, participation"), seen=True),
        Level("60", "60", _("New Zealand pilot, first screen"), seen=True),
    ),
}


def _uptake(days: int, *, adjusted: bool) -> Indicator:
    name, sentence = WORDS[days, adjusted]
    return Indicator(
        key=f"uptake_{days}{'_adjusted' if adjusted else ''}",
        group="uptake",
        name=name,
        sentence=sentence,
        numerator=COUNTED,
        denominator=OF_REACHABLE if adjusted else OF_INVITED,
        anchor="invited",
        top=f"in_{days}",
        bottom=f"n - lost_{days}" if adjusted else "n",
        basis=COHORT,
        window_days=days + 30,
        start="start",
        matures=MATURES,
        direction=UP,
        rule="R13",
        levels=() if adjusted else LEVELS[days],
    )


DECLARED = (
    _uptake(90, adjusted=False),
    _uptake(180, adjusted=False),
    _uptake(90, adjusted=True),
    _uptake(180, adjusted=True),
    Indicator(
        key="returned_90", group="uptake", name=_("Kits back, 90 days"),
        sentence=_("sent any kit back within 90 days of dispatch"),
        numerator=_("Counted: any kit of the round arrived within 90 days of the first dispatch, usable or not."),
        denominator=OF_INVITED, anchor="invited", top="back_90", bottom="n", basis=COHORT, window_days=90,
        start="start", matures=_("Complete when everybody's 90 days have passed."), direction=UP, rule="R13",
    ),
    Indicator(
        key="kit_sent", group="uptake", name=_("Kit handed to the post"), sentence=_("had a kit handed to the post"),
        numerator=_("Counted: a kit of the round was handed to the post."), denominator=OF_INVITED, anchor="invited", top="sent",
        bottom="n", basis=COHORT, window_days=90, start="invited",
        matures=_("Complete when 90 days have passed since everybody's invitation."), direction=UP, rule="R13",
    ),
    Indicator(
        key="undelivered", group="uptake", name=_("Not delivered"),
        sentence=_("could not be reached by post"),
        numerator=_("Counted: a kit of the round came back as undeliverable."),
        denominator=OF_INVITED, anchor="invited", top="undelivered", bottom="n", basis=COHORT, window_days=90,
        start="start", matures=_("Complete when everybody's 90 days have passed."), direction=DOWN,
        levels=(Level("2", "2", _("common practice, no published source")),),
    ),
    Indicator(
        key="declined", group="uptake", name=_("Declined"), sentence=_("declined or opted out"),
        numerator=_("Counted: rounds that ended because the person declined or opted out."),
        denominator=OF_INVITED, anchor="invited", top="at_declined", bottom="n", basis=COHORT, window_days=90,
        start="start", matures=_("Complete when everybody's 90 days have passed."), direction=DOWN,
    ),
    Indicator(
        key="again_90", group="uptake", name=_("Taking part again, 90 days"),
        sentence=_("of those who took part in their last round, took part again within 90 days"),
        numerator=_("Counted: of those, the rounds that count as uptake within 90 days."),
        denominator=_("Out of: rounds of people invited in the period who had a usable result in the round before."),
        anchor="invited", top="again_90", bottom="again", basis=COHORT, window_days=120, start="start",
        matures=MATURES, direction=UP, rule="R13",
    ),
    Indicator(
        key="positivity_cohort", group="uptake", name=_("Positivity of those invited"),
        sentence=_("were at or above the cutoff"),
        numerator=_("Counted: of those, the rounds whose deciding result is at or above the cutoff."),
        denominator=_("Out of: rounds invited in the period that count as uptake within 90 days."),
        anchor="invited", top="high_90", bottom="in_90", basis=COHORT, window_days=120, start="start",
        matures=MATURES, direction=NEITHER, rule="R13",
    ),
)  # fmt: skip
