"""Says in words which filters a question names, so that a page, a list and a sheet of paper tell of whom they speak."""

from collections.abc import Callable, Mapping

from django.utils.translation import gettext as _

from oversight.filters import BAND_WORDS, FIFTH_WORDS, FILTER_WORDS, HISTORY_WORDS, ROUTE_WORDS, Asked
from oversight.services.figures import label, language_words
from screening.models import Area, Lot, Practice
from staff.models import Site


def _site(value: str) -> str:
    return str(Site.objects.filter(pk=value).values_list("name", flat=True).first() or value)


def _area(value: str) -> str:
    return str(Area.objects.filter(pk=value).values_list("name", flat=True).first() or _("not known"))


def _lot(value: str) -> str:
    return str(Lot.objects.filter(pk=value).values_list("code", flat=True).first() or value)


def _practice(value: str) -> str:
    return str(Practice.objects.filter(pk=value).values_list("name", flat=True).first() or value)


WORDS: Mapping[str, Callable[[str], str]] = {
    "area": _area,
    "sex": lambda value: label("sex", value, {}),
    "age": lambda value: label("age", value, {}),
    "fifth": lambda value: str(FIFTH_WORDS[int(value)]),
    "history": lambda value: str(HISTORY_WORDS[int(value)]),
    "band": lambda value: str(BAND_WORDS[int(value)]),
    "lot": _lot,
    "laboratory": _site,
    "unit": _site,
    "route": lambda value: str(ROUTE_WORDS[int(value)]),
    "language": language_words,
    "practice": _practice,
}
"""The value of each filter in words."""


def asked_words(asked: Asked) -> list[str]:
    """Each filter in force, as "area: Northern"; nothing when everybody is counted."""
    return [
        f"{FILTER_WORDS[name]}: {WORDS[name](asked.only[name])}"
        for name in FILTER_WORDS
        if name in asked.only
    ]
