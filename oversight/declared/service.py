"""What others tell the programme: complaints, telephone, pathology's forms, the whole population's cancers, the cost."""

from django.utils.translation import gettext_lazy as _

from oversight.figures import MEAN, PER_100000_YEARS, PER_THOUSAND, PERIOD
from oversight.indicators import DOWN, NEITHER, UP, Indicator, Level

AS_TOLD = _(
    "Complete when the period is over; of the period only the months it was told for are in it, on both sides."
)
OF_RESIDENTS = _(
    "Out of: person-years of all residents of the same ages in the same months, as the cancer registry tells them. Not standardised"
    " by age unless the registry did so."
)
EUROPE = _("European guidelines for quality assurance, 2010")
MONEY = _("Counted: what the programme cost in those months, in whole units of its money.")

DECLARED = (
    Indicator(
        key="complaints", group="service", name=_("Complaints per 1,000 invited"), sentence=_("complained"),
        numerator=_("Counted: complaints about the programme, as told by whoever answers them."),
        denominator=_("Out of: people invited in the months complaints were told for."), anchor="told", top="complaints",
        bottom="complaints_invited", basis=PERIOD, matures=AS_TOLD, unit=PER_THOUSAND, direction=DOWN,
    ),
    Indicator(
        key="calls_answered", group="service", name=_("Calls answered within two minutes"),
        sentence=_("were answered within two minutes"),
        numerator=_("Counted: of those, calls answered within two minutes."),
        denominator=_("Out of: telephone calls to the programme, given up or not, as told by the exchange."), anchor="told",
        top="calls_soon", bottom="calls", basis=PERIOD, matures=AS_TOLD, direction=UP,
    ),
    Indicator(
        key="pathology_forms", group="service", name=_("Pathology reports on a form"),
        sentence=_("came on a form with fixed fields"),
        numerator=_("Counted: of those, reports on a form with fixed fields (a proforma)."),
        denominator=_("Out of: pathology reports on specimens of the programme, as told by the pathology laboratory."),
        anchor="told", top="forms", bottom="reports", basis=PERIOD, matures=AS_TOLD, direction=UP,
        levels=(Level("90", "", EUROPE),),
    ),
    Indicator(
        key="incidence", group="service", name=_("Bowel cancers in the whole population"),
        sentence=_("new bowel cancers"),
        numerator=_("Counted: new bowel cancers of residents, invited or not, as the cancer registry tells them."),
        denominator=OF_RESIDENTS, anchor="told", top="cancers", bottom="cancer_years", basis=PERIOD, matures=AS_TOLD,
        unit=PER_100000_YEARS, direction=NEITHER,
    ),
    Indicator(
        key="mortality", group="service", name=_("Deaths from bowel cancer in the whole population"),
        sentence=_("deaths from bowel cancer"),
        numerator=_("Counted: deaths of residents from bowel cancer, invited or not, as the register of deaths tells them."),
        denominator=OF_RESIDENTS, anchor="told", top="deaths", bottom="death_years", basis=PERIOD, matures=AS_TOLD,
        unit=PER_100000_YEARS, direction=DOWN,
    ),
    Indicator(
        key="cost_invited", group="service", name=_("Cost for each person invited"), sentence=_("Cost for each person invited"),
        numerator=MONEY, denominator=_("Out of: people invited in the months the cost was told for."), anchor="told", top="cost",
        bottom="cost_invited", basis=PERIOD, matures=AS_TOLD, unit=MEAN,
    ),
    Indicator(
        key="cost_screened", group="service", name=_("Cost for each result"), sentence=_("Cost for each result"),
        numerator=MONEY, denominator=_("Out of: people with a result released in the months the cost was told for."),
        anchor="told", top="cost", bottom="cost_results", basis=PERIOD, matures=AS_TOLD, unit=MEAN,
    ),
    Indicator(
        key="cost_found", group="service", name=_("Cost for each person with advanced neoplasia"),
        sentence=_("Cost for each person in whom advanced neoplasia was found"), numerator=MONEY,
        denominator=_(
            "Out of: people with a result released in the months the cost was told for, in whom advanced neoplasia was found since."
            " It falls for a year, as people are examined after the months that paid for their kit."
        ),
        anchor="told", top="cost", bottom="cost_found", basis=PERIOD, window_days=365,
        matures=_("Complete when the period is over and 365 days have passed."), unit=MEAN,
    ),
)  # fmt: skip
