"""Samples and the laboratory's service."""

from django.utils.translation import gettext_lazy as _

from oversight.figures import COHORT, PERIOD
from oversight.indicators import DOWN, UP, Indicator, Level

OF_BACK = _("Out of: people whose first kit came back in the period.")
OF_RESULTS = _("Out of: rounds with a usable result released in the period.")
OF_POTS = _(
    "Out of: lesions sent to pathology from examinations of people at or above whose first one was in the period."
)
WHEN_OVER = _("Complete when the period is over.")
EUROPE = _("European guidelines for quality assurance, 2010")

DECLARED = (
    Indicator(
        key="unusable_people", group="laboratory", name=_("People left without a usable result"),
        sentence=_("sent a kit that could not be used and have no usable result"),
        numerator=_("Counted: people with a rejected kit and no usable result in that round so far."),
        denominator=OF_BACK, anchor="arrived", top="unusable", bottom="n", basis=PERIOD, matures=WHEN_OVER,
        direction=DOWN, rule="R13", levels=(Level("3", "1", EUROPE), Level("5", "5", _("Canada, tests that are inadequate"))),
    ),
    Indicator(
        key="unusable_any", group="laboratory", name=_("People with a rejected kit"),
        sentence=_("had at least one kit rejected"),
        numerator=_("Counted: people of whom a kit was rejected in that round, whether or not another one was usable."),
        denominator=OF_BACK, anchor="arrived", top="any_rejected", bottom="n", basis=PERIOD, matures=WHEN_OVER,
        direction=DOWN, rule="R13",
    ),
    Indicator(
        key="unusable_kits", group="laboratory", name=_("Kits rejected"), sentence=_("of kits could not be used"),
        numerator=_("Counted: kits rejected at the desk or in the laboratory."),
        denominator=_("Out of: kits that came back in the rounds of people whose first kit came back in the period."),
        anchor="arrived", top="rejected", bottom="kits", basis=PERIOD, matures=WHEN_OVER, direction=DOWN, rule="R13",
    ),
    Indicator(
        key="undated", group="laboratory", name=_("Kits without a certain day of collection"),
        sentence=_("came without a certain day of collection"),
        numerator=_("Counted: kits whose label gave no day that could be relied on, so that an earliest and a latest day are kept."),
        denominator=_("Out of: kits that came back in the rounds of people whose first kit came back in the period."),
        anchor="arrived", top="undated", bottom="kits", basis=PERIOD, matures=WHEN_OVER, direction=DOWN, rule="R2",
    ),
    Indicator(
        key="rescued", group="laboratory", name=_("Usable after a replacement"),
        sentence=_("had a usable result within 60 days all the same"),
        numerator=_("Counted: of those, people with a usable result within 60 days of the first kit's arrival."),
        denominator=_("Out of: people whose first kit came back in the period and of whom a kit was rejected."),
        anchor="arrived", top="rescued", bottom="replaced", basis=COHORT, window_days=60, start="arrived",
        matures=_("Complete when 60 days have passed since everybody's kit arrived."), direction=UP,
        levels=(Level("70", "70", _("common practice, no published source")),),
    ),
    Indicator(
        key="result_15", group="laboratory", name=_("Result within 15 days of arrival"),
        sentence=_("had their result within 15 days of the kit's arrival"),
        numerator=_("Counted: results released within 15 days of the arrival of the round's first kit."),
        denominator=OF_RESULTS, anchor="released", top="quick", bottom="n", basis=PERIOD, matures=WHEN_OVER,
        direction=UP, levels=(Level("90", "90", EUROPE),),
    ),
    Indicator(
        key="result_5", group="laboratory", name=_("Result within 5 days of arrival"),
        sentence=_("had their result within 5 days of the arrival of the kit it was measured from"),
        numerator=_("Counted: results released within 5 days of the arrival of the kit they were measured from."),
        denominator=OF_RESULTS, anchor="released", top="quick_5", bottom="n", basis=PERIOD, matures=WHEN_OVER, direction=UP,
        levels=(Level("95", "95", _("common practice, no published source")),),
    ),
    Indicator(
        key="over_age", group="laboratory", name=_("Samples older than the kit allows when analysed"),
        sentence=_("of samples were older when analysed than their kit model allows"),
        numerator=_("Counted: deciding results whose sample was, counted from its earliest possible collection, older than the"
                    " limit of its kit model when it was analysed. A protocol may allow that for results at or above."),
        denominator=OF_RESULTS, anchor="released", top="over_age", bottom="aged", basis=PERIOD, matures=WHEN_OVER,
        direction=DOWN, rule="R2",
    ),
    Indicator(
        key="aged_7", group="laboratory", name=_("Samples older than 7 days when analysed"),
        sentence=_("of samples were older than 7 days when analysed"),
        numerator=_("Counted: deciding results whose sample was collected, at the earliest, more than 7 days before."),
        denominator=OF_RESULTS, anchor="released", top="aged_7", bottom="aged", basis=PERIOD, matures=WHEN_OVER,
        direction=DOWN, rule="R2",
    ),
    Indicator(
        key="lettered_high", group="laboratory", name=_("Letter at or above on the day of release"),
        sentence=_("had the letter handed over on the day of their result"),
        numerator=_("Counted: of those, people whose letter was handed to the post on the day of release."),
        denominator=_("Out of: rounds at or above, released in the period."), anchor="released",
        top="lettered_high_same_day", bottom="high", basis=PERIOD, matures=WHEN_OVER, direction=UP, rule="R11",
    ),
    Indicator(
        key="lettered_7", group="laboratory", name=_("Letter within 7 days of release"),
        sentence=_("had the letter handed over within 7 days of their result"),
        numerator=_("Counted: results whose letter was handed to the post within 7 days of the release: five working days, public"
                    " holidays not counted."),
        denominator=OF_RESULTS, anchor="released", top="lettered_7", bottom="n", basis=PERIOD, window_days=7,
        matures=_("Complete when the period is over and 7 days have passed."), direction=UP,
    ),
    Indicator(
        key="histology_14", group="laboratory", name=_("Histology within 14 days"),
        sentence=_("had their histology reported within 14 days of the examination"),
        numerator=_("Counted: of those, first reported within 14 days of the examination: ten working days, public holidays not"
                    " counted."),
        denominator=OF_POTS, anchor="examined", top="told_14", bottom="pots", basis=PERIOD, window_days=14,
        matures=_("Complete when the period is over and 14 days have passed."), direction=UP,
    ),
    Indicator(
        key="high_grade", group="laboratory", name=_("Lesions with high-grade dysplasia"),
        sentence=_("had high-grade dysplasia"),
        numerator=_("Counted: of those, high-grade dysplasia by the last report; cancers are not counted."),
        denominator=_("Out of: lesions with a histology report, of people at or above whose first examination was in the period."),
        anchor="examined", top="high_grade", bottom="told", basis=PERIOD, window_days=14,
        matures=_("Complete when the period is over and 14 days have passed."), direction=DOWN, levels=(Level("10", "10", EUROPE),),
    ),
)  # fmt: skip
