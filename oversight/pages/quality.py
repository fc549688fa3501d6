"""The quality of the data behind the figures: what is not known, what comes late, what was rounded, how old the feed is."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from django.db import connection
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from oversight.figures import COHORT, figure_of
from oversight.filters import Asked
from oversight.pages.parts import Block, Shown, grouped, ranged
from oversight.services.cells import grouped_sums
from oversight.services.rollup import catch_up
from staff import clock

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


def quality(asked: Asked) -> Shown:
    """What is not known of the people counted, and how late things are entered."""
    cut_at = catch_up()
    cells = grouped_sums("invited", asked, ["n"], ["sex", "age", "fifth", "area_id"])
    people = sum(counts["n"] for counts in cells.values())
    unknown: Sequence[tuple[StrOrPromise, int, Sequence[object]]] = (
        (_("sex not known"), 0, ("unknown", "other", "")),
        (_("age not known"), 1, (-1,)),
        (_("deprivation fifth not known"), 2, (0,)),
        (_("area not known"), 3, (0,)),
    )
    rows: list[list[StrOrPromise]] = []
    for words, at, values in unknown:
        n = sum(counts["n"] for key, counts in cells.items() if key[at] in values)
        rows.append([words, grouped(n), grouped(people), ranged(figure_of(n, people, basis=COHORT))])
    return Shown(
        slug="quality",
        title=_("Data quality"),
        lead=_("What is missing in the data these figures rest on, and how late it comes."),
        asked=asked,
        cut_at=cut_at,
        blocks=[
            Block(
                key="unknown", title=_("What is not known of those invited"), summary="",
                columns=[_("What"), _("Rounds"), _("Out of"), _("Share (95 % interval)")], rows=rows if people else [],
                basis="cohort",
            ),
            _entry(asked),
            _sources(asked),
        ],
    )  # fmt: skip


ENTRY = """
SELECT count(*), count(*) FILTER (WHERE x.reported_on - x.day > 5), count(*) FILTER (WHERE x.boston_right IS NULL),
       count(*) FILTER (WHERE x.withdrawal_minutes IS NULL), count(*) FILTER (WHERE x.comfort = '')
FROM results_examination x WHERE x.day BETWEEN %(since)s AND %(until)s AND x.kind = 'colonoscopy'
"""
LESIONS = """
SELECT count(*), count(*) FILTER (WHERE l.size_mm %% 5 = 0), count(*) FILTER (WHERE l.size_mm = 10)
FROM results_lesionrow l JOIN results_examination x ON x.id = l.examination_id
WHERE x.day BETWEEN %(since)s AND %(until)s
"""


def _entry(asked: Asked) -> Block:
    days = {"since": asked.since, "until": min(asked.until, clock.today())}
    with connection.cursor() as cursor:
        cursor.execute(ENTRY, days)
        scopes, late, boston, minutes, comfort = cursor.fetchone()
        cursor.execute(LESIONS, days)
        lesions, heaped, tens = cursor.fetchone()
    plan = [
        (_("report later than 5 days after the colonoscopy"), late, scopes),
        (_("no Boston scale"), boston, scopes),
        (_("no withdrawal time"), minutes, scopes),
        (_("no comfort score"), comfort, scopes),
        (_("lesion size a multiple of 5 mm (about one in five expected; more is rounding)"), heaped, lesions),
        (_("lesion size exactly 10 mm, where a class begins"), tens, lesions),
    ]
    return Block(
        key="entry",
        title=_("Colonoscopy reports"),
        summary=_("Examinations of the days asked for, everybody's."),
        columns=[_("What"), _("Counted"), _("Out of"), _("Share (95 % interval)")],
        rows=[
            [words, grouped(x), grouped(n), ranged(figure_of(x, n, basis="period"))] for words, x, n in plan
        ]
        if scopes or lesions
        else [],
        basis="period",
    )


CANCERS = """
SELECT count(*) FILTER (WHERE origin = 'bowel'), count(*) FILTER (WHERE origin = 'bowel' AND stage NOT IN ('I', 'II', 'III', 'IV')),
       count(*), count(*) FILTER (WHERE NOT link_certain AND second_reader_id IS NULL)
FROM (SELECT DISTINCT ON (person_id) * FROM results_cancerreport ORDER BY person_id, id DESC) c
WHERE diagnosed_on BETWEEN %(since)s AND %(until)s
"""
FEED = "SELECT max(applied_at) FROM screening_registerload WHERE status = 'applied'"


def _sources(asked: Asked) -> Block:
    """Kits without a day, cancers without a stage or a certain person, and how old the register's last feed is."""
    kits = grouped_sums("arrived", asked, ["kits", "undated"], []).get((), {"kits": 0, "undated": 0})
    with connection.cursor() as cursor:
        cursor.execute(CANCERS, {"since": asked.since, "until": asked.until})
        bowel, unstaged, cancers, unsettled = cursor.fetchone()
        cursor.execute(FEED)
        (fed,) = cursor.fetchone()
    plan = [
        (_("kit without a certain day of collection"), kits["undated"], kits["kits"]),
        (_("bowel cancer reported without its stage"), unstaged, bowel),
        (_("cancer reported of whom it is not certain, not settled yet"), unsettled, cancers),
    ]
    last = clock.local_day(fed) if fed else None
    return Block(
        key="sources",
        title=_("Kits, cancer reports and the register"),
        summary=_("The register's last feed was taken in on %(day)s, %(n)s days ago.")
        % {"day": date_format(last, "j F Y"), "n": grouped((clock.today() - last).days)}
        if last
        else _("No feed of the register was taken in yet."),
        columns=[_("What"), _("Counted"), _("Out of"), _("Share (95 % interval)")],
        rows=[
            [words, grouped(x), grouped(n), ranged(figure_of(x, n, basis="period"))] for words, x, n in plan
        ],
        basis="period",
    )
