"""Phrases that letters put in place of codes: what went wrong with a kit, and what an examination found."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy as _

from outreach.letters import phrases_ar
from outreach.letters.texts import DEFAULT_LANGUAGE
from results.models import Assessment

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

REPLACEMENT_WORDS: Mapping[str, "StrOrPromise"] = {
    "empty": _("the tube was empty"),
    "two_vials": _("there were two tubes in one envelope"),
    "leaking": _("the tube had leaked on the way to us"),
    "leaked_out": _("the liquid had leaked out of the tube on the way to us"),
    "buffer_lost": _("the liquid had leaked out of the tube on the way to us"),
    "damaged": _("the tube was damaged on the way to us"),
    "over_full": _("there was too much in the tube"),
    "clean_stick": _("there was nothing on the stick"),
    "no_name": _("there was no name on the tube"),
    "name_illegible": _("we could not read the name on the tube"),
    "other_name": _("the name on the tube was not yours"),
    "swap_suspected": _("two tubes may have been mixed up"),
    "identity_in_doubt": _("we could not be sure the tube was yours"),
    "other_birth_date": _("the birth date on the tube was not yours"),
    "undated": _("there was no date on the tube"),
    "undated_refused": _("there was no date on the tube"),
    "impossible_date": _("the date on the tube was not a real date"),
    "future_date": _("the date on the tube was in the future"),
    "before_dispatch": _("the date on the tube was before we sent you the kit"),
    "over_age": _("the sample was too old when it reached us"),
    "expired": _("the kit was past its use-by date"),
    "lot_quarantined": _("there may be a fault with this box of kits, so we do not use it"),
    "look_back": _("we cannot be sure of the first measurement"),
    "flagged_twice": _("our machine could not read the sample"),
    "not_measurable": _("our machine could not read the sample"),
    "reported_lost": _("you told us that the kit never came or is gone"),
    "mispaired": _("we may have put another person's kit into your envelope"),
    "undelivered": _("the post could not deliver the kit to you"),
}
"""Reason of a replacement kit → the words a person reads."""
NEVER_CAME_BACK = frozenset({"reported_lost", "undelivered", "mispaired"})
"""Reasons for which nothing came back that could have been tested."""
REPLACEMENT_WORDS_DEFAULT = _("we could not test the sample")

FINDING_WORDS: Mapping[str, "StrOrPromise"] = {
    "cancer": _("The examination found bowel cancer. A member of the clinic has talked with you about it."),
    "other_cancer": _("The examination found a cancer. A member of the clinic has talked with you about it."),
    "advanced_adenoma": _(
        "The examination found growths called polyps. They are not cancer, but some of them can turn into cancer over many years if they stay."
    ),
    "advanced_serrated": _(
        "The examination found growths called polyps. They are not cancer, but some of them can turn into cancer over many years if they stay."
    ),
    "non_advanced": _(
        "The examination found small growths called polyps. They are common, and they are not cancer."
    ),
    "other": _(
        "The examination found no cancer and no polyps. It found something else, which is named below."
    ),
    "nothing": _("The examination found nothing that needs treatment."),
    "inconclusive": _("The examination could not give a clear answer."),
}
"""Finding class → what the person reads."""

_WHICH_DAY = _("On which day did you take the sample?")
_WHOSE = _("Did you write your name on the tube yourself, and did anybody else at home use a kit?")
QUESTION_WORDS: Mapping[str, "StrOrPromise"] = {
    "undated": _WHICH_DAY,
    "other_month": _WHICH_DAY,
    "impossible_date": _WHICH_DAY,
    "future_date": _WHICH_DAY,
    "before_dispatch": _WHICH_DAY,
    "no_name": _WHOSE,
    "name_illegible": _WHOSE,
    "other_name": _WHOSE,
    "other_birth_date": _WHOSE,
    "swap_suspected": _WHOSE,
    "identity_in_doubt": _WHOSE,
    "two_vials": _("Your envelope held two tubes. Whose are they?"),
    "opted_out": _("You had asked us to stop, and then sent us a kit. Would you like us to test it?"),
    "was_undelivered": _("We had thought the kit never reached you. Is it the one we sent to you?"),
}
"""Reason of a set-aside → the one question that the letter asks."""
QUESTION_WORDS_DEFAULT = _("We have a question about the kit you sent us. Please ring us before we test it.")

ROUTE_WORDS: Mapping[str, "StrOrPromise"] = {
    "protected": _("Protected address: hand to the coordinator"),
    "secure": _("By the agreed secure way"),
}
"""What stands in the window where no address may stand."""

IN_LANGUAGE: Mapping[str, Mapping[str, Mapping[str, "StrOrPromise"]]] = {
    DEFAULT_LANGUAGE: {
        "replacement": {**REPLACEMENT_WORDS, "": REPLACEMENT_WORDS_DEFAULT}, "finding": FINDING_WORDS,
        "question": {**QUESTION_WORDS, "": QUESTION_WORDS_DEFAULT}, "route": ROUTE_WORDS,
        "preparation": {code: Assessment.Preparation(code).label for code in Assessment.Preparation.values},
    },
    "ar": phrases_ar.PHRASES,
}  # fmt: skip
"""Language → sort of phrase → code → words; '' is for a code without words of its own."""


def phrase(sort: str, code: str, language: str) -> str:
    """The words for a code in the language of a letter."""
    found = IN_LANGUAGE.get(language, IN_LANGUAGE[DEFAULT_LANGUAGE])[sort]
    return str(found[code] if code in found else found.get("", ""))
