"""Why a line of a register file is not taken, in words that say what to do next."""

from django.utils.translation import gettext_lazy as _

REFUSALS = {
    "field_count": _("This line has %(got)s columns, %(want)s are expected. Look for a comma too many or too few."),
    "quote_open": _("A quotation mark is opened and not closed on this line. Write one person on one line."),
    "control_character": _("Column %(column)s holds a character that cannot be printed. Remove it and send the line again."),
    "number_missing": _("The person number is missing. Without it nobody can be told apart; send the line with the number."),
    "number_wrong": _("“%(value)s” is not a person number: 12 digits are expected, and the last one checks the others."),
    "number_twice": _("Person number %(value)s stands on lines %(lines)s with different facts. None of them was taken."),
    "line_twice": _("This line repeats line %(lines)s word for word. The first one was taken."),
    "name_missing": _("Column %(column)s is empty. A letter needs both names; send the line with it."),
    "too_long": _("Column %(column)s has %(got)s characters, at most %(want)s can be kept. Shorten it at the source."),
    "date_wrong": _("“%(value)s” in column %(column)s is not a date. Write it as 1964-03-09."),
    "date_future": _("%(value)s in column %(column)s lies in the future. Correct it at the source."),
    "date_old": _("The birth date %(value)s makes this person older than 120. Correct it at the source."),
    "date_order": _("Column %(column)s (%(value)s) lies before the birth date. Correct one of them at the source."),
    "sex_unknown": _("“%(value)s” is not a word for sex. Write female, male, other or unknown."),
    "language_wrong": _("“%(value)s” is not a language tag. Write it as en, or as pt-BR."),
    "area_unknown": _("There is no area “%(value)s”. Ask the administrator to add it, or correct the code."),
}  # fmt: skip


def refusal(code: str, **facts: object) -> str:
    """The sentence of a refusal, with what was found."""
    return str(REFUSALS[code]) % facts
