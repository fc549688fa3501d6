"""Several indicators' totals in one table, each leading to its definition."""

from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from oversight.indicators import indicators
from oversight.pages.parts import Block, grouped, ranged
from oversight.services.figures import Counted

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


def totals(counted: Counted, keys: list[str], title: "StrOrPromise", key: str) -> Block:
    """Several indicators' totals in one table."""
    rows: list[list[StrOrPromise]] = []
    for name in keys:
        one, figure = indicators()[name], counted.total.figures[name]
        rows.append([
            one.name, grouped(figure.numerator), grouped(figure.denominator), ranged(figure),
            "C" if one.is_cohort else "P", figure.maturity.short,
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
    )
