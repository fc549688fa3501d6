"""Several indicators' totals in one table, each leading to its definition."""

from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from oversight.filters import FILTER_WORDS
from oversight.indicators import indicators
from oversight.pages.parts import Block, badge, grouped, ranged
from oversight.services.figures import Counted

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


def totals(counted: Counted, keys: list[str], title: "StrOrPromise", key: str) -> Block:
    """Several indicators' totals in one table."""
    rows: list[list[StrOrPromise]] = []
    for name in keys:
        one, figure = indicators()[name], counted.total.figures[name]
        deaf = [str(FILTER_WORDS[name]) for name in one.deaf_to(counted.asked.only)]
        if deaf:
            words = _("not by %(filters)s") % {"filters": ", ".join(deaf)}
            rows.append([one.name, "–", "–", words, badge(figure), "–"])
            continue
        rows.append([
            one.name, grouped(figure.numerator), grouped(figure.denominator), ranged(figure),
            badge(figure), figure.maturity.short,
        ])  # fmt: skip
    return Block(
        key=key,
        title=title,
        summary="",
        columns=[
            _("Indicator"),
            _("Counted"),
            _("Out of"),
            _("Figure (95 % interval)"),
            _("Basis"),
            _("Maturity"),
        ],
        rows=rows,
        defined=keys,
        listed=[
            f"key={name}&part=counted"
            if indicators()[name].has_list and counted.total.figures[name].numerator
            else ""
            for name in keys
        ],
    )
