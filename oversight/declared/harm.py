"""How good and how safe the colonoscopies are."""

from django.utils.translation import gettext_lazy as _

from oversight.figures import MEAN, PER_THOUSAND, PERIOD
from oversight.indicators import DOWN, NEITHER, UP, Indicator, Level

OF_SCOPES = _("Out of: colonoscopies of people at or above whose first examination was in the period.")
WHEN_OVER = _("Complete when the period is over.")
AFTER = _(
    "Counted: colonoscopies with such an event within 30 days, unless the committee judged it not related."
)
HEARD_OF = _("Complete when the period is over and 30 days have passed; events are often heard of later.")
ENGLAND = _("England, quality assurance of colonoscopy")

DECLARED = (
    Indicator(
        key="completion", group="harm", name=_("Complete colonoscopies"), sentence=_("reached the caecum"),
        numerator=_("Counted: colonoscopies that reached the caecum, unadjusted."), denominator=OF_SCOPES,
        anchor="examined", top="complete", bottom="scopes", basis=PERIOD, matures=WHEN_OVER, direction=UP,
        levels=(Level("90", "97", ENGLAND, seen=True),),
    ),
    Indicator(
        key="preparation", group="harm", name=_("Adequate preparation"), sentence=_("were adequately prepared"),
        numerator=_("Counted: colonoscopies whose preparation was adequate."), denominator=OF_SCOPES,
        anchor="examined", top="adequate", bottom="scopes", basis=PERIOD, matures=WHEN_OVER, direction=UP,
        levels=(Level("90", "95", ENGLAND, seen=True),),
    ),
    Indicator(
        key="adenoma_detection", group="harm", name=_("People with an adenoma"), sentence=_("had at least one adenoma"),
        numerator=_("Counted: people whose most serious finding is an adenoma, advanced or not."),
        denominator=_("Out of: people at or above with a colonoscopy whose first examination was in the period."),
        anchor="examined", top="with_adenoma", bottom="with_scope", basis=PERIOD, matures=WHEN_OVER, direction=UP,
        levels=(
            Level("35", "40", ENGLAND, seen=True), Level("25", "25", _("European endoscopy societies 2017, screening"), seen=True),
        ),
    ),
    Indicator(
        key="adenomas_mean", group="harm", name=_("Adenomas per colonoscopy"), sentence=_("Mean number of adenomas"),
        numerator=_("Counted: adenomas by histology, or by their look where no histology came; a lesion seen twice counts once."),
        denominator=OF_SCOPES, anchor="examined", top="adenomas", bottom="scopes", basis=PERIOD, matures=WHEN_OVER, unit=MEAN,
        direction=NEITHER,
    ),
    Indicator(
        key="withdrawal", group="harm", name=_("Minutes of withdrawal, mean"), sentence=_("Mean withdrawal time in minutes"),
        numerator=_("Counted: their minutes of withdrawal."),
        denominator=_("Out of: complete colonoscopies without abnormality whose withdrawal time is known, of people at or above"
                      " whose first examination was in the period."),
        anchor="examined", top="minutes", bottom="negative", basis=PERIOD, matures=WHEN_OVER, unit=MEAN, direction=UP,
        levels=(Level("6", "10", ENGLAND, seen=True),),
    ),
    Indicator(
        key="comfort", group="harm", name=_("Comfort recorded"), sentence=_("had a comfort score"),
        numerator=_("Counted: colonoscopies with a comfort score."), denominator=OF_SCOPES, anchor="examined", top="comforted",
        bottom="scopes", basis=PERIOD, matures=WHEN_OVER, direction=UP, levels=(Level("100", "100", ENGLAND, seen=True),),
    ),
    Indicator(
        key="retrieval", group="harm", name=_("Polyps retrieved"), sentence=_("of removed polyps were retrieved"),
        numerator=_("Counted: removed lesions that were retrieved for pathology."),
        denominator=_("Out of: lesions removed whole or in pieces at these examinations."), anchor="examined",
        top="retrieved", bottom="removed", basis=PERIOD, matures=WHEN_OVER, direction=UP,
        levels=(Level("90", "95", ENGLAND, seen=True),),
    ),
    Indicator(
        key="harm_any", group="harm", name=_("Adverse events per 1,000 colonoscopies"),
        sentence=_("were followed by an adverse event"), numerator=AFTER, denominator=OF_SCOPES,
        anchor="examined", top="harmed", bottom="scopes", basis=PERIOD, unit=PER_THOUSAND, direction=DOWN,
        window_days=30, matures=HEARD_OF,
        levels=(Level("5", "5", _("two FIT programmes (3.6 and 4.4) and 117,881 screening colonoscopies (4.2)"), seen=True),),
    ),
    Indicator(
        key="harm_bleeding", group="harm", name=_("Bleeding per 1,000 colonoscopies"),
        sentence=_("were followed by bleeding"), numerator=AFTER, denominator=OF_SCOPES,
        anchor="examined", top="bled", bottom="scopes", basis=PERIOD, window_days=30, matures=HEARD_OF, unit=PER_THOUSAND,
        direction=DOWN,
    ),
    Indicator(
        key="harm_perforation", group="harm", name=_("Perforation per 1,000 colonoscopies"),
        sentence=_("were followed by a perforation"), numerator=AFTER, denominator=OF_SCOPES,
        anchor="examined", top="perforated", bottom="scopes", basis=PERIOD, window_days=30, matures=HEARD_OF, unit=PER_THOUSAND,
        direction=DOWN, levels=(Level("1", "1", ENGLAND, seen=True),),
    ),
    Indicator(
        key="harm_after_removal", group="harm", name=_("Bleeding after a removal"),
        sentence=_("were followed by bleeding"), numerator=AFTER,
        denominator=_("Out of: colonoscopies at which a lesion was removed whole or in pieces, of people at or above whose first"
                      " examination was in the period."),
        anchor="examined", top="bled_after", bottom="removals", basis=PERIOD, window_days=30, matures=HEARD_OF, direction=DOWN,
        levels=(Level("1", "1", _("England, bleeding after a removal"), seen=True),),
    ),
    Indicator(
        key="harm_admission", group="harm", name=_("Admissions per 1,000 colonoscopies"),
        sentence=_("were followed by an event that meant a night in hospital or worse"),
        numerator=_("Counted: colonoscopies with an event within 30 days that meant at least a night in hospital, or worse, unless the"
                    " committee judged it not related."),
        denominator=OF_SCOPES, anchor="examined", top="admitted", bottom="scopes", basis=PERIOD, window_days=30,
        matures=HEARD_OF, unit=PER_THOUSAND, direction=DOWN,
    ),
    Indicator(
        key="deaths_30", group="harm", name=_("Deaths of any cause per 1,000 colonoscopies"),
        sentence=_("were followed by the person's death within 30 days, of whatever cause"),
        numerator=_("Counted: colonoscopies followed within 30 days by a death that the register knows of, of whatever cause."),
        denominator=OF_SCOPES, anchor="examined", top="died", bottom="scopes", basis=PERIOD, window_days=30,
        matures=HEARD_OF, unit=PER_THOUSAND, direction=DOWN,
    ),
)  # fmt: skip
