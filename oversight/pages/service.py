"""Service and cost: what others tell the programme, beside what the registry counts in the same months."""

from django.utils.translation import gettext as _

from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.pages.parts import Block, Shown, grouped, refused, sentence_of
from oversight.pages.totals import totals
from oversight.services.figures import figures
from oversight.services.told import TELLS, span_words, standing


def service(asked: Asked) -> Shown:
    """Complaints, calls, pathology's forms, cancers of all residents, and the cost."""
    keys = [one.key for one in indicators().of("service")]
    counted = figures(asked, keys)
    return Shown(
        slug="service",
        title=_("Service and cost"),
        lead=_(
            "What others tell the programme, for whole months: the registry cannot count it. Only months that lie wholly in the period"
            " and were told are in a figure, on both of its sides."
        ),
        asked=asked,
        cut_at=counted.cut_at,
        sentences=[sentence_of(counted, key) for key in ("calls_answered", "complaints")],
        blocks=[totals(counted, keys, _("Every figure told"), "told"), _told(asked)],
    )


def _told(asked: Asked) -> Block:
    """What these figures were made from."""
    title = _("What was told for months of this period")
    if block := refused("told-rows", title, asked, ()):
        return block
    rows = [
        [
            TELLS[one.kind].counted, span_words(one.since, one.until), grouped(one.counted),
            "–" if one.out_of is None else grouped(one.out_of), one.source,
        ]
        for one in standing(asked)
    ]  # fmt: skip
    return Block(
        key="told-rows",
        title=title,
        summary="",
        columns=[_("What"), _("Months"), _("Counted"), _("Out of"), _("Told by")],
        rows=rows,
        empty=_("Nothing was told for whole months of this period yet."),
        in_words=True,
    )
