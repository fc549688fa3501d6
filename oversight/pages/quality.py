"""The quality of the data behind the figures: what is not known, what comes late, what was rounded, how old the feed is."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from django.db import connection
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from oversight.figures import COHORT, figure_of
from oversight.filters import Asked
from oversight.pages.parts import Block, Shown, grouped, ranged, refused
from oversight.services.cells import grouped_sums
from oversight.services.figures import period_maturity
from oversight.services.people_asked import PERSON_COLUMNS, person_conditions, person_params
from oversight.services.rollup import catch_up
from oversight.services.typed import NEWEST, typed_serials
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
                basis="cohort", maturity=period_maturity(asked),
            ),
            _typed(asked),
            _entry(asked),
            _kits(asked),
            _reported(asked),
            _elsewhere(),
        ],
    )  # fmt: skip


def _elsewhere() -> Block:
    """Figures that a programme is asked for and that no row of this registry can answer: said, rather than left out."""
    return Block(
        key="elsewhere",
        title=_("What these figures cannot tell"),
        summary=_("Figures a programme may be asked for whose facts are not kept here, and who has them. Complaints, calls, cost and the"
                  " cancers of all residents are counted from what others tell: see “Service and cost”."),
        columns=[_("Figure"), _("Why not"), _("Who has it")],
        rows=[
            [_("Which instruments took a lesion away, and whether they were the right ones"), _("how it was removed is kept, not with what"), _("the colonoscopy unit's own audit")],
            [_("What patients thought of it"), _("no questionnaire is kept here"), _("the programme's surveys")],
            [_("Cancers of people who moved away"), _("cancers are reported here for people of the programme only"), _("the cancer registry of where they live")],
        ],
        in_words=True,
    )  # fmt: skip


ENTRY = """
SELECT count(*), count(*) FILTER (WHERE x.reported_on - x.day > 5), count(*) FILTER (WHERE x.boston_right IS NULL),
       count(*) FILTER (WHERE x.withdrawal_minutes IS NULL), count(*) FILTER (WHERE x.comfort = '')
FROM results_examination x WHERE x.day BETWEEN %(since)s AND %(until)s AND x.kind = 'colonoscopy'{only}
"""
LESIONS = """
SELECT count(*), count(*) FILTER (WHERE l.size_mm %% 5 = 0), count(*) FILTER (WHERE l.size_mm = 10)
FROM results_lesionrow l JOIN results_examination x ON x.id = l.examination_id
WHERE x.day BETWEEN %(since)s AND %(until)s{only}
"""
WHOSE = """ AND EXISTS (SELECT 1 FROM results_referral f JOIN screening_person p ON p.id = f.person_id
WHERE f.id = x.referral_id{people})"""


def _typed(asked: Asked) -> Block:
    """Serials typed at intake instead of scanned: labels that do not scan, or a scanner that does not work."""
    title = _("Serials typed at intake")
    if block := refused("typed", title, asked, ()):
        return block
    found = typed_serials(asked)

    def row(name: str, typed: int, logged: int) -> "list[StrOrPromise]":
        return [name, grouped(typed), grouped(logged), ranged(figure_of(typed, logged, basis="period"))]

    words = _(
        "Counted: kits whose serial was typed at intake, as when a label does not scan. Out of: our kits whose serial was scanned or"
        " typed there, each once a month, practice left out. A typed serial is proved by its check character, yet is the likelier to be"
        " another's."
    )
    if found.cut_off_on:
        words += " " + _("Looked at: the newest %(n)s scans of the period, back to %(day)s.") % {
            "n": grouped(NEWEST), "day": date_format(found.cut_off_on, "j F Y"),
        }  # fmt: skip
    return Block(
        key="typed",
        title=title,
        summary=words,
        columns=[_("Month"), _("Typed"), _("Out of"), _("Share (95 % interval)")],
        rows=[row(date_format(one.month, "F Y"), one.typed, one.logged) for one in found.months],
        foot=row(_("All"), found.typed, found.logged) if found.months else (),
        basis="period",
        maturity=period_maturity(asked),
        empty=_("No serial was scanned or typed at intake in this period."),
    )


def _entry(asked: Asked) -> Block:
    title = _("Colonoscopy reports")
    if block := refused("entry", title, asked, {*PERSON_COLUMNS, "unit"}):
        return block
    days = {**person_params(asked), "since": asked.since, "until": min(asked.until, clock.today())}
    people = person_conditions(asked)
    only = (WHOSE.format(people=people) if people else "") + (
        " AND x.site_id = %(unit)s" if "unit" in asked.only else ""
    )
    with connection.cursor() as cursor:
        cursor.execute(ENTRY.format(only=only), days)
        scopes, late, boston, minutes, comfort = cursor.fetchone()
        cursor.execute(LESIONS.format(only=only), days)
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
        title=title,
        summary=_("Colonoscopies of the days asked for, after a result or not."),
        columns=[_("What"), _("Counted"), _("Out of"), _("Share (95 % interval)")],
        rows=[
            [words, grouped(x), grouped(n), ranged(figure_of(x, n, basis="period"))] for words, x, n in plan
        ]
        if scopes or lesions
        else [],
        basis="period",
        maturity=period_maturity(asked),
    )


CANCERS = """
SELECT count(*) FILTER (WHERE origin = 'bowel'), count(*) FILTER (WHERE origin = 'bowel' AND stage NOT IN ('I', 'II', 'III', 'IV')),
       count(*), count(*) FILTER (WHERE NOT link_certain AND second_reader_id IS NULL)
FROM (SELECT DISTINCT ON (person_id) * FROM results_cancerreport ORDER BY person_id, id DESC) c
JOIN screening_person p ON p.id = c.person_id
WHERE diagnosed_on BETWEEN %(since)s AND %(until)s{only}
"""
FEED = "SELECT max(applied_at) FROM screening_registerload WHERE status = 'applied'"


def _kits(asked: Asked) -> Block:
    """Kits without a day, and how old the register's last feed is."""
    kits = grouped_sums("arrived", asked, ["kits", "undated"], []).get((), {"kits": 0, "undated": 0})
    with connection.cursor() as cursor:
        cursor.execute(FEED)
        (fed,) = cursor.fetchone()
    last = clock.local_day(fed) if fed else None
    undated = figure_of(kits["undated"], kits["kits"], basis="period")
    return Block(
        key="sources",
        title=_("Kits and the register"),
        summary=_("The register's last feed was taken in on %(day)s, %(n)s days ago.")
        % {"day": date_format(last, "j F Y"), "n": grouped((clock.today() - last).days)}
        if last
        else _("No feed of the register was taken in yet."),
        columns=[_("What"), _("Counted"), _("Out of"), _("Share (95 % interval)")],
        rows=[[
            _("kit without a certain day of collection"), grouped(undated.numerator), grouped(undated.denominator), ranged(undated),
        ]],
        basis="period",
        maturity=period_maturity(asked),
    )  # fmt: skip


def _reported(asked: Asked) -> Block:
    """Cancers without a stage or a certain person."""
    title = _("Cancer reports")
    if block := refused("reported", title, asked, PERSON_COLUMNS):
        return block
    params = {**person_params(asked), "since": asked.since, "until": asked.until}
    with connection.cursor() as cursor:
        cursor.execute(CANCERS.format(only=person_conditions(asked)), params)
        bowel, unstaged, cancers, unsettled = cursor.fetchone()
    plan = [
        (_("bowel cancer reported without its stage"), unstaged, bowel),
        (_("cancer reported of whom it is not certain, not settled yet"), unsettled, cancers),
    ]
    return Block(
        key="reported",
        title=title,
        summary=_(
            "Cancers reported with a day of diagnosis in the period; reports come late, so recent months are incomplete."
        ),
        columns=[_("What"), _("Counted"), _("Out of"), _("Share (95 % interval)")],
        rows=[
            [words, grouped(x), grouped(n), ranged(figure_of(x, n, basis="period"))] for words, x, n in plan
        ]
        if cancers
        else [],
        basis="period",
        maturity=period_maturity(asked),
        empty=_("No cancer was reported in this period."),
    )
