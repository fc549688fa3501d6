"""What was found: predictive values over those examined, detection over those screened, numbers needed."""

from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

from oversight.figures import COHORT, NEEDED, PER_THOUSAND, PERCENT
from oversight.indicators import DOWN, UP, Indicator, Level

OF_EXAMINED = _(
    "Out of: people at or above, with a result released in the period, who were examined, whether the examination was"
    " complete or not."
)
OF_SCREENED = _("Out of: rounds with a usable result released in the period.")
MATURES = _("Complete when 365 days have passed since everybody's result.")
WORST = _(
    "A person counts once, by the most serious finding: signed, else computed, else as the report says."
)
LESIONS = {
    "cancer": ("f_cancer", _("colorectal cancer")),
    "advanced_adenoma": ("f_advanced_adenoma", _("advanced adenoma")),
    "advanced_neoplasia": ("advanced", _("advanced neoplasia (colorectal cancer or advanced adenoma)")),
    "adenoma": ("any_adenoma", _("adenoma or serrated lesion without cancer")),
    "advanced_serrated": ("f_advanced_serrated", _("advanced serrated lesion")),
}
LEVELS = {
    "detection_cancer": (Level("2", "2", _("Canada, invasive cancers found per 1,000 screened")),),
    "ppv_adenoma": (Level("50", "50", _("Canada, predictive value for all adenomas"), seen=True),),
}


def _yield(
    key: str, *, unit: str, top: str, bottom: str, name: object, sentence: object, of: object
) -> Indicator:
    return Indicator(
        key=key,
        group="yields",
        name=str_lazy(name),
        sentence=str_lazy(sentence),
        numerator=format_lazy(
            "{} {}", _("Counted: people in whom it was found at an examination after the result."), WORST
        ),
        denominator=str_lazy(of),
        anchor="released",
        top=top,
        bottom=bottom,
        basis=COHORT,
        window_days=365,
        start="high" if bottom == "examined" else "usable",
        matures=MATURES,
        unit=unit,
        direction=DOWN if unit == NEEDED else UP,
        rule="R13",
        levels=LEVELS.get(key, ()),
    )


def str_lazy(words: object) -> str:
    """Lazy words stay lazy; the type says text."""
    return words  # type: ignore[return-value]


DECLARED = (
    *(
        _yield(
            f"ppv_{key}", unit=PERCENT, top=top, bottom="examined", of=OF_EXAMINED,
            name=format_lazy(_("Predictive value, {what}"), what=what),
            sentence=format_lazy(_("of those examined had: {what}"), what=what),
        )
        for key, (top, what) in LESIONS.items()
    ),
    *(
        _yield(
            f"detection_{key}", unit=PER_THOUSAND, top=top, bottom="n", of=OF_SCREENED,
            name=format_lazy(_("Detection per 1,000 screened, {what}"), what=what),
            sentence=format_lazy(_("had: {what}"), what=what),
        )
        for key, (top, what) in LESIONS.items()
    ),
    _yield(
        "needed_to_screen", unit=NEEDED, top="advanced", bottom="n", of=OF_SCREENED,
        name=_("Screened for one advanced neoplasia"), sentence=_("people are screened to find one advanced neoplasia"),
    ),
    _yield(
        "needed_to_scope", unit=NEEDED, top="advanced", bottom="examined", of=OF_EXAMINED,
        name=_("Examined for one advanced neoplasia"), sentence=_("people are examined to find one advanced neoplasia"),
    ),
)  # fmt: skip
