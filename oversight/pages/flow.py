"""Where the people of a cohort are now, two cohorts side by side, and the one line that cannot wait: waiting, slots, weeks."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from oversight.figures import PERCENT
from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.intervals import newcombe_difference
from oversight.pages.parts import TOO_FEW, Block, Shown, badge, grouped, ranged, refused
from oversight.places import PLACE_WORDS
from oversight.rollup.measures import PLACES
from oversight.services.cells import places
from oversight.services.curves import bookings_ahead, examined_lately, open_now
from oversight.services.figures import Counted, figures
from oversight.services.people_asked import PERSON_COLUMNS
from oversight.services.rollup import catch_up

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

LATELY_WEEKS = 8
COMPARED = (
    "uptake_90", "uptake_90_adjusted", "again_90", "positivity", "spoken_7", "examined_31", "examined_90",
    "ppv_advanced_neoplasia", "detection_advanced_neoplasia", "completion", "harm_any", "unusable_people", "result_15",
)  # fmt: skip


def flow(asked: Asked, other: Asked | None = None) -> Shown:
    """Where those invited in the days asked for are now; the parts add up to the whole."""
    cut_at = catch_up()
    whole, parts = places(asked)
    second = places(other) if other else None
    words = PLACE_WORDS
    columns: list[StrOrPromise] = [_("Where they are now"), _("People"), _("Share")]
    if second:
        columns += [_("People, other cohort"), _("Share, other cohort")]
    rows, links = [], []
    for place in PLACES:
        row = [words[place], grouped(parts[place]), _share(parts[place], whole)]
        if second:
            row += [grouped(second[1][place]), _share(second[1][place], second[0])]
        rows.append(row)
        links.append(f"place={place}")
    foot: list[StrOrPromise] = [_("All invited"), grouped(whole), "100 %" if whole else "–"]
    if second:
        foot += [grouped(second[0]), "100 %" if second[0] else "–"]
    return Shown(
        slug="flow",
        title=_("Where are they now?"),
        lead=_("Everybody invited in the days asked for stands in exactly one row; each row opens the list behind it."),
        asked=asked,
        cut_at=cut_at,
        blocks=[
            Block(
                key="flow", title=_("Where the people we invited are now"),
                summary=_flow_words(parts, whole),
                columns=columns, rows=rows if whole else [], foot=foot if whole else (), links=links, basis="cohort",
                chart=_bars(asked, parts, whole, other, second) if whole else None, tall=True,
                note=_("As they stand now; people invited lately still move on, so do not compare cohorts of different ages."),
            )
        ],
    )  # fmt: skip


def _flow_words(parts: Mapping[str, int], whole: int) -> str:
    """The whole, and the three places where most of them are."""
    most = sorted((place for place in PLACES if parts[place]), key=lambda place: -parts[place])[:3]
    named = "; ".join(f"{PLACE_WORDS[place]}, {_share(parts[place], whole)}" for place in most)
    words = _("%(n)s people were invited; the rows add up to them.") % {"n": grouped(whole)}
    return f"{words} {_('Most of them: %(named)s.') % {'named': named}}" if named else words


def _share(n: int, whole: int) -> str:
    return f"{100 * n / whole:.1f} %" if whole else "–"


def _bars(
    asked: Asked, parts: Mapping[str, int], whole: int, other: Asked | None,
    second: tuple[int, Mapping[str, int]] | None,
) -> dict[str, object]:  # fmt: skip
    words = PLACE_WORDS
    drawn = [place for place in PLACES if parts[place] or (second and second[1][place])]
    series = [{"name": _days(asked), "values": [round(100 * parts[place] / whole, 1) for place in drawn]}]
    if other and second and second[0]:
        series.append(
            {"name": _days(other), "values": [round(100 * second[1][p] / second[0], 1) for p in drawn]}
        )
    return {
        "kind": "bar", "unit": "%", "across": True, "min": 0, "categories": [str(words[place]) for place in drawn],
        "series": series,
    }  # fmt: skip


def _days(asked: Asked) -> str:
    return _("%(since)s to %(until)s") % {
        "since": date_format(asked.since, "j M Y"), "until": date_format(asked.until, "j M Y"),
    }  # fmt: skip


def compare(asked: Asked, other: Asked) -> Shown:
    """Two cohorts side by side with the difference and its interval."""
    one, two = figures(asked, COMPARED), figures(other, COMPARED)
    return Shown(
        slug="compare",
        title=_("Two cohorts side by side"),
        lead=_("The same figures for two periods; a difference whose interval contains nought may be chance."),
        asked=asked,
        cut_at=one.cut_at,
        blocks=[
            Block(
                key="compare", title=_("%(a)s beside %(b)s") % {"a": _days(asked), "b": _days(other)}, summary="",
                columns=[_("Indicator"), _("First"), _("Second"), _("Second less first (95 % interval)"), _("Basis"), _("Maturity, first"),
                         _("Maturity, second")],
                rows=[_compared(key, one, two) for key in COMPARED], defined=COMPARED,
            )
        ],
    )  # fmt: skip


def _compared(key: str, one: Counted, two: Counted) -> "list[StrOrPromise]":
    a, b = one.total.figures[key], two.total.figures[key]
    difference: StrOrPromise = TOO_FEW
    if not a.too_few and not b.too_few and a.limits and b.limits:
        low, high = newcombe_difference(b.numerator, b.denominator, a.numerator, a.denominator)
        scale = 100 if a.unit == PERCENT else 1000
        apart = b.numerator / b.denominator - a.numerator / a.denominator
        difference = f"{scale * apart:+.1f} ({scale * low:+.1f} – {scale * high:+.1f})"
    return [
        indicators()[key].name, f"{ranged(a)} · {grouped(a.numerator)}/{grouped(a.denominator)}",
        f"{ranged(b)} · {grouped(b.numerator)}/{grouped(b.denominator)}", difference,
        badge(a), a.maturity.short, b.maturity.short,
    ]  # fmt: skip


def _booked_words(ahead: Sequence[tuple[date, int]]) -> str:
    """How many are booked, over how many weeks, and the fullest one."""
    if not ahead:
        return ""
    week, most = max(ahead, key=lambda one: one[1])
    return _("%(n)s bookings in %(weeks)s weeks; most, %(most)s, in the week from %(week)s.") % {
        "n": grouped(sum(n for _week, n in ahead)), "weeks": len(ahead), "most": grouped(most), "week": date_format(week, "j F Y"),
    }  # fmt: skip


def waiting(asked: Asked) -> Shown:
    """Who waits now, what is booked, and how many weeks that is at the pace of late."""
    cut_at = catch_up()
    if block := refused("open", _("Referrals open today, by days since the result"), asked, PERSON_COLUMNS):
        return Shown(slug="waiting", title=_("Waiting"), lead="", asked=asked, cut_at=cut_at, blocks=[block])
    areas = open_now(asked)
    lately = examined_lately(asked, LATELY_WEEKS)
    unexamined = sum(one.unexamined for one in areas)
    pace = lately / LATELY_WEEKS
    line = (
        _(
            "%(n)s people wait for their examination; %(pace)s were examined a week lately, so that is %(weeks)s weeks."
        )
        % {"n": grouped(unexamined), "pace": f"{pace:.1f}", "weeks": f"{unexamined / pace:.1f}"}
        if pace
        else _("%(n)s people wait for their examination; nobody was examined in the last %(w)s weeks.")
        % {"n": grouped(unexamined), "w": LATELY_WEEKS}
    )
    columns = [
        _("Area"),
        _("Open"),
        _("Not examined yet"),
        _("Over 31 days"),
        _("Over 90 days"),
        _("Over 180 days"),
    ]
    sums = [
        sum(column)
        for column in zip(
            *[(o.total, o.unexamined, o.over_31, o.over_90, o.over_180) for o in areas], strict=True
        )
    ]
    ahead = bookings_ahead(asked)
    return Shown(
        slug="waiting",
        title=_("Waiting"),
        lead=line,
        asked=asked,
        cut_at=cut_at,
        blocks=[
            Block(
                key="open", title=_("Referrals open today, by days since the result"), summary="", columns=columns,
                rows=[
                    [one.area or _("not known"), *map(grouped, (one.total, one.unexamined, one.over_31, one.over_90, one.over_180))]
                    for one in areas
                ],
                foot=[_("All"), *map(grouped, sums)] if areas else (), empty=_("No referral is open."),
                note=_("As of today, whatever days are asked for: everybody who waits now is in it."),
            ),
            Block(
                key="booked", title=_("Booked ahead, by week"), summary=_booked_words(ahead), columns=[_("Week from"), _("Bookings")],
                rows=[[date_format(week, "j F Y"), grouped(n)] for week, n in ahead], empty=_("Nothing is booked from today on."),
                note=_("As of today."),
                chart={"kind": "bar", "min": 0, "categories": [date_format(week, "j M") for week, _n in ahead],
                       "series": [{"name": _("bookings"), "values": [n for _week, n in ahead]}]} if len(ahead) > 1 else None,
            ),
        ],
    )  # fmt: skip
