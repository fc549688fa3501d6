"""What others tell the invented programme month by month: calls, complaints, pathology's forms and the cost.

The shares are invented and say nothing about any programme.
"""

from datetime import date, timedelta

from oversight.rehearsal.crew import Stage
from oversight.services.told import Kind, figure_tell
from screening.months import add_months

CALLS_SOON = 0.86
ON_FORMS = 0.93
RESIDENT_YEARS, CANCERS, DEATHS = 118_400, 71, 26
FIXED_COST, COST_FOR_EACH = 21_500, 17


def months_between(first_day: date, today: date) -> list[date]:
    """The first days of the months that lie wholly between two days."""
    month = first_day if first_day.day == 1 else add_months(first_day.replace(day=1), 1)
    found = []
    while add_months(month, 1) <= today:
        found.append(month)
        month = add_months(month, 1)
    return found


def figures_told(stage: Stage, first_day: date, today: date) -> None:
    """The manager keeps what was told for the months that are over, and the cancer registry's year before."""
    months = months_between(first_day, today)
    invited = stage.plan.invited // 7  # the year's seventh part: a month has about so many
    for n, month in enumerate(months):
        last = add_months(month, 1) - timedelta(days=1)
        calls, reports = invited // 14 + 9 * n, 18 + 4 * n
        figures: tuple[tuple[int, int, int | None, str], ...] = (
            (
                Kind.CALLS,
                round(calls * (CALLS_SOON - 0.03 * (n % 3))),
                calls,
                "telephone exchange, monthly list",
            ),
            (Kind.COMPLAINTS, invited // 900 + n % 2, None, "complaints office"),
            (Kind.REPORTS, round(reports * ON_FORMS), reports, "pathology, monthly list"),
            (Kind.COST, FIXED_COST + COST_FOR_EACH * invited, None, "accounts, month closed"),
        )
        for kind, counted, out_of, source in figures:
            figure_tell(
                by=stage.crew.manager, kind=kind, since=month, until=last, counted=counted, out_of=out_of, source=source
            )  # fmt: skip
    year = date(first_day.year - 1, 1, 1)
    for kind, counted in ((Kind.CANCERS, CANCERS), (Kind.DEATHS, DEATHS)):
        figure_tell(
            by=stage.crew.manager, kind=kind, since=year, until=date(year.year, 12, 31), counted=counted,
            out_of=RESIDENT_YEARS, source=f"cancer registry, year {year.year}",
        )  # fmt: skip
