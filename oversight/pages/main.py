"""The first page, uptake, follow-up and clocks, yield, harm, the laboratory's service."""

from typing import TYPE_CHECKING

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from oversight.figures import Maturity, figure_of
from oversight.filters import Asked
from oversight.indicators import BREAKDOWNS, indicators
from oversight.pages.harm_events import harm_events
from oversight.pages.parts import Block, Shown, grouped, ranged, refused, section_of, sentence_of
from oversight.pages.totals import totals
from oversight.rollup.measures import LONGEST_WAIT
from oversight.services.activity import ActivityCounts, happened
from oversight.services.breaks import breaks_of
from oversight.services.coverage import coverage
from oversight.services.curves import follow_up_curves, quantile, spreads, within
from oversight.services.figures import cohort_maturity, figures, label, labels, order, period_maturity
from oversight.services.surveillance import surveillance_on_time
from oversight.survival import days_until, incidence_at

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

SIX = (
    "uptake_90", "positivity", "examined_90", "ppv_advanced_neoplasia", "detection_cancer", "harm_any",
)  # fmt: skip
PERSON_FILTERS = ("area", "sex", "age", "fifth")
"""Filters of what is counted from people rather than rounds."""
SURVEILLANCE_DAYS = 92
"""Three months after the planned day are still in time."""
CURVE_DAYS = (7, 14, 31, 60, 90, 180, 365)


def overview(asked: Asked) -> Shown:
    """Six sentences and what happened."""
    counted = figures(asked, [*SIX, "uptake_90_adjusted"])
    counts = happened(asked)
    breaks = breaks_of(asked)
    return Shown(
        slug="overview",
        title=_("How are we doing?"),
        lead="",
        asked=asked,
        cut_at=counted.cut_at,
        sentences=[sentence_of(counted, key) for key in SIX],
        sections=[
            section_of(counted, "uptake_90", "uptake_90_adjusted", breaks),
            section_of(counted, "positivity", "", breaks),
        ],
        counts=counts,
        activity=_activity(counts) if counts else (),
        breaks=breaks,
    )


def _activity(counts: ActivityCounts) -> "list[tuple[StrOrPromise, str]]":
    return [
        (_("invited"), grouped(counts.invited)),
        (_("first kits came back"), grouped(counts.people_back)),
        (_("results released"), grouped(counts.results)),
        (_("at or above the cutoff"), grouped(counts.at_or_above)),
        (_("people examined"), grouped(counts.examined)),
        (_("referrals closed"), grouped(counts.referrals_closed)),
    ]


def uptake(asked: Asked) -> Shown:
    """Uptake in both windows beside their adjusted variants, taking part again, and the curve of returns."""
    pairs = {
        "uptake_90": "uptake_90_adjusted", "uptake_180": "uptake_180_adjusted", "returned_90": "", "undelivered": "",
        "declined": "", "again_90": "",
    }  # fmt: skip
    reach = [one.key for one in indicators().of("reach")]
    counted = figures(asked, [*reach, *pairs, *(beside for beside in pairs.values() if beside)])
    breaks = breaks_of(asked)
    return Shown(
        slug="uptake",
        title=_("Uptake"),
        lead=_("Who was invited, who sent a kit back, and who has a usable result."),
        asked=asked,
        cut_at=counted.cut_at,
        sections=[section_of(counted, key, beside, breaks) for key, beside in pairs.items()],
        blocks=[
            totals(counted, reach, _("Invited in time, of all there are"), "reach"),
            _coverage(asked, counted.total.figures["invitation_coverage"].maturity),
            _returns(asked),
        ],
    )


def _coverage(asked: Asked, maturity: Maturity) -> Block:
    """Invitation coverage beside examination coverage, of the people there are."""
    title = _("Coverage: invited and screened, of the people there are")
    if block := refused("coverage", title, asked, PERSON_FILTERS):
        return block
    by = asked.by if asked.by in PERSON_FILTERS else "area"
    day, found = coverage(asked, by)
    names = labels(by)
    rows = []
    for key in sorted(found, key=lambda key: order(by, key)):
        one = found[key]
        rows.append([
            label(by, key, names), grouped(one.people), grouped(one.invited),
            ranged(figure_of(one.invited, one.people, basis="period")), grouped(one.screened),
            ranged(figure_of(one.screened, one.people, basis="period")),
        ])  # fmt: skip
    people, invited = sum(one.people for one in found.values()), sum(one.invited for one in found.values())
    screened = sum(one.screened for one in found.values())
    return Block(
        key="coverage",
        title=title,
        summary=_(
            "Of everybody of the age band who was alive and lived in the area on %(day)s, whether or not they had opted out or"
            " were excluded: invited within one interval, and with a usable result within 30 months."
        )
        % {"day": date_format(day, "j F Y")}
        if day
        else "",
        columns=[BREAKDOWNS[by].capitalize(), _("People"), _("Invited"), _("Invitation coverage (95 % interval)"),
                 _("Screened"), _("Examination coverage (95 % interval)")],
        rows=rows,
        foot=[_("All"), grouped(people), grouped(invited), ranged(figure_of(invited, people, basis="period")),
              grouped(screened), ranged(figure_of(screened, people, basis="period"))] if rows else (),
        basis="period",
        maturity=maturity,
        empty=_("The people were not counted yet; that happens once a night."),
    )  # fmt: skip


def _returns(asked: Asked) -> Block:
    found = spreads(asked, ["back", "start"])
    back = found["back"]
    people = sum(n for _days, n in found["start"])
    days = [7, 14, 21, 28, 35, 42, 56, 70, 90, 120, 180]
    shares = [round(100 * within(back, day) / people, 1) if people else None for day in days]
    return Block(
        key="returns",
        title=_("How soon kits come back"),
        summary=_(
            "Share of those invited whose first kit had arrived by each day after dispatch; younger months drag it down."
            " By day 14 %(early)s, by day 28 %(later)s, by day 90 %(late)s."
        )
        % {name: f"{shares[days.index(day)]} %" for name, day in (("early", 14), ("later", 28), ("late", 90))},
        columns=[_("Days after dispatch"), _("Kits back"), _("Share of invited")],
        rows=[
            [str(day), grouped(within(back, day)), "–" if share is None else f"{share} %"]
            for day, share in zip(days, shares, strict=True)
        ]
        if people
        else [],
        chart={
            "kind": "line", "unit": "%", "min": 0, "categories": [str(day) for day in days],
            "series": [{"name": _("kits back"), "values": shares}],
        }
        if back
        else None,
        basis="cohort",
        maturity=cohort_maturity(asked, "start", days[-1]),
    )  # fmt: skip


def follow_up(asked: Asked) -> Shown:
    """What happens after a result at or above, and how long it takes."""
    keys = [one.key for one in indicators().of("follow_up")]
    counted, breaks = figures(asked, keys), breaks_of(asked)
    return Shown(
        slug="follow-up",
        title=_("Follow-up"),
        lead=_("What happened to the people at or above the cutoff, and how long each step took."),
        asked=asked,
        cut_at=counted.cut_at,
        sentences=[
            sentence_of(counted, key) for key in ("referred", "spoken_7", "examined_31", "examined_90")
        ],
        sections=[
            section_of(counted, key, "", breaks)
            for key in ("examined_31", "examined_90", "examined_180", "examined_365")
        ],
        blocks=[
            _clocks(asked),
            _bands(asked),
            _surveillance(asked),
            totals(counted, keys, _("Every step"), "steps"),
        ],
    )


def _clocks(asked: Asked) -> Block:
    names = {"contact": _("spoken with"), "assess": _("assessed"), "exam": _("examined")}
    found = follow_up_curves(asked, list(names))
    days = list(CURVE_DAYS)
    rows, series, halves = [], [], []
    for key, words in names.items():
        steps = found[key]
        shares = [round(100 * incidence_at(steps, day), 1) for day in days]
        middle, late = days_until(steps, 0.5), days_until(steps, 0.9)
        rows.append(
            [words, *(_("not reached") if value is None else str(value) for value in (middle, late))]
            + [f"{share} %" for share in shares]
        )
        series.append({"name": words, "values": shares})
        halves.append(
            _("%(step)s %(share)s by day 31") % {"step": words, "share": f"{shares[days.index(31)]} %"}
        )
    known = any(found.values())
    return Block(
        key="clocks",
        title=_("Clocks from the result, all people at or above"),
        summary=_(
            "Share to whom it has happened by each day. A referral that closed before counts as an end of another kind,"
            " and people still waiting are followed up to today (Aalen–Johansen), so nobody is left out."
        )
        + (f" {'; '.join(halves)}." if known else ""),
        columns=[_("Step"), _("Half by day"), _("90 % by day"), *(_("by day %(d)s") % {"d": day} for day in days)],
        rows=rows if known else [],
        chart={"kind": "line", "unit": "%", "min": 0, "max": 100, "categories": [str(day) for day in days], "series": series}
        if known
        else None,
        basis="cohort",
        maturity=cohort_maturity(asked, "high", CURVE_DAYS[-1]),
    )  # fmt: skip


WEEKS = ((0, 28), (29, 56), (57, LONGEST_WAIT))
"""Days from the result to the examination: up to four weeks, four to eight, longer. Source: Scotland, published waiting bands."""


def _bands(asked: Asked) -> Block:
    """How long those who were examined had waited."""
    spread = spreads(asked, ["exam"])["exam"]
    whole = sum(n for _days, n in spread)
    words = (_("up to 4 weeks"), _("over 4 and up to 8 weeks"), _("over 8 weeks"))
    rows: list[list[StrOrPromise]] = []
    for name, (low, high) in zip(words, WEEKS, strict=True):
        n = sum(count for days, count in spread if low <= days <= high)
        rows.append([name, grouped(n), grouped(whole), ranged(figure_of(n, whole, basis="cohort"))])
    return Block(
        key="bands",
        title=_("How long those examined had waited"),
        summary=_(
            "From the result to the first examination, of people whose result was released in the months asked for and who have"
            " been examined; those still waiting are not in it, so recent months look better than they are."
        ),
        columns=[_("Waited"), _("People"), _("Out of"), _("Share (95 % interval)")],
        rows=rows if whole else [],
        basis="cohort",
        maturity=cohort_maturity(asked, "high", CURVE_DAYS[-1]),
        empty=_("Nobody whose result was released in these months has been examined yet."),
    )


def _surveillance(asked: Asked) -> Block:
    title = _("Surveillance on time")
    if block := refused("surveillance", title, asked, PERSON_FILTERS):
        return block
    found = surveillance_on_time(asked)
    figure = figure_of(found.in_time, found.due, basis="period")
    return Block(
        key="surveillance",
        title=title,
        summary=_(
            "Surveillance examinations that a clinician had planned for a day of the period: done within three months before or"
            " after it, out of all whose time is over or who were examined. At least 85 % is common practice."
        ),
        columns=[_("In time"), _("Out of"), _("Figure (95 % interval)"), _("Done otherwise"), _("Not done"), _("Still in time")],
        rows=[[
            grouped(found.in_time), grouped(found.due), ranged(figure), grouped(found.otherwise), grouped(found.overdue),
            grouped(found.waiting),
        ]] if found.due or found.waiting else [],
        basis="period",
        maturity=period_maturity(asked, after=SURVEILLANCE_DAYS),
        empty=_("No surveillance examination was planned for a day of this period."),
    )  # fmt: skip


def yields(asked: Asked) -> Shown:
    """Predictive values over examined, detection over screened, numbers needed."""
    keys = [one.key for one in indicators().of("yields")]
    counted, breaks = figures(asked, keys), breaks_of(asked)
    return Shown(
        slug="yield",
        title=_("Yield"),
        lead=_(
            "What was found. Predictive values are over the people examined; detection is over the people screened."
            " Nobody below the cutoff was examined, so what lies there is not known."
        ),
        asked=asked,
        cut_at=counted.cut_at,
        sentences=[
            sentence_of(counted, key)
            for key in (
                "ppv_cancer",
                "ppv_advanced_neoplasia",
                "detection_cancer",
                "detection_advanced_neoplasia",
            )
        ],
        sections=[
            section_of(counted, key, "", breaks)
            for key in ("ppv_advanced_neoplasia", "detection_advanced_neoplasia")
        ],
        blocks=[totals(counted, keys, _("Everything that was found"), "found")],
    )


def harm(asked: Asked) -> Shown:
    """How good and how safe the colonoscopies were."""
    keys = [one.key for one in indicators().of("harm")]
    counted, breaks = figures(asked, keys), breaks_of(asked)
    return Shown(
        slug="harm",
        title=_("Harm"),
        lead=_("How good and how safe the colonoscopies after a result at or above were."),
        asked=asked,
        cut_at=counted.cut_at,
        sentences=[sentence_of(counted, key) for key in ("harm_any", "completion", "preparation")],
        sections=[section_of(counted, key, "", breaks) for key in ("completion", "adenoma_detection")],
        blocks=[totals(counted, keys, _("Every figure of quality and safety"), "safety"), harm_events(asked)],
    )


def laboratory(asked: Asked) -> Shown:
    """Samples, turnaround and letters."""
    keys = [one.key for one in indicators().of("laboratory")]
    counted, breaks = figures(asked, keys), breaks_of(asked)
    return Shown(
        slug="laboratory",
        title=_("Laboratory service"),
        lead=_(
            "How usable the samples were, how soon results and letters left, and how soon histology came."
        ),
        asked=asked,
        cut_at=counted.cut_at,
        sentences=[
            sentence_of(counted, key) for key in ("unusable_people", "result_15", "aged_7", "histology_14")
        ],
        sections=[section_of(counted, key, "", breaks) for key in ("unusable_people", "result_15")],
        blocks=[_turnaround(asked), totals(counted, keys, _("Every figure of the service"), "service")],
    )


def _turnaround(asked: Asked) -> Block:
    names = {
        "back": _("dispatch → first kit back"), "transit": _("collection (earliest) → arrival"),
        "age": _("collection (earliest) → analysis"),
        "result": _("arrival → result released"), "letter": _("result → letter handed over"),
    }  # fmt: skip
    found = spreads(asked, list(names))
    rows: list[list[StrOrPromise]] = []
    for key, words in names.items():
        spread = found[key]
        marks = [quantile(spread, share) for share in (0.5, 0.9, 0.95)]
        rows.append(
            [words, grouped(sum(n for _d, n in spread)), *("–" if m is None else str(m) for m in marks)]
        )
    return Block(
        key="turnaround",
        title=_("Days from step to step"),
        summary=_(
            "Waits that began in the months asked for and have ended; those still running are not in it."
        ),
        columns=[_("From → to"), _("Ended"), _("Half within"), _("90 % within"), _("95 % within")],
        rows=rows if any(found.values()) else [],
        basis="period",
        maturity=period_maturity(asked),
    )
