"""Adverse events after colonoscopies, by what happened and how severe it was."""

from typing import TYPE_CHECKING

from django.db import connection
from django.utils.translation import gettext as _

from oversight.figures import PER_THOUSAND, PERIOD, figure_of
from oversight.filters import Asked
from oversight.pages.parts import Block, grouped, ranged, refused
from oversight.pages.quality import WHOSE
from oversight.services.figures import period_maturity
from oversight.services.people_asked import PERSON_COLUMNS, person_conditions, person_params
from results.models import AdverseEvent

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

HEARD_DAYS = 30
SCOPES = """
SELECT count(*) FROM results_examination x
WHERE x.kind = 'colonoscopy' AND x.day BETWEEN %(since)s AND %(until)s{only}
"""
EVENTS = """
SELECT a.kind, a.severity, count(*), count(DISTINCT a.examination_id)
FROM results_examination x JOIN results_adverseevent a ON a.examination_id = x.id
    AND a.happened_on BETWEEN x.day AND x.day + %(heard)s
WHERE x.kind = 'colonoscopy' AND x.day BETWEEN %(since)s AND %(until)s{only}
  AND coalesce((SELECT j.cause FROM results_eventjudgement j WHERE j.event_id = a.id ORDER BY j.id DESC LIMIT 1), '') <> 'unrelated'
GROUP BY GROUPING SETS ((a.kind, a.severity), (a.kind), ())
"""


def harm_events(asked: Asked) -> Block:
    """Events by kind and severity, and for each kind the colonoscopies it followed, per 1,000."""
    title = _("Events by kind and severity")
    if block := refused("events", title, asked, {*PERSON_COLUMNS, "unit"}):
        return block
    people = person_conditions(asked)
    only = (WHOSE.format(people=people) if people else "") + (
        " AND x.site_id = %(unit)s" if "unit" in asked.only else ""
    )
    params = {**person_params(asked), "since": asked.since, "until": asked.until, "heard": HEARD_DAYS}
    with connection.cursor() as cursor:
        cursor.execute(SCOPES.format(only=only), params)
        (scopes,) = cursor.fetchone()
        cursor.execute(EVENTS.format(only=only), params)
        found = {(kind, severity): (events, after) for kind, severity, events, after in cursor.fetchall()}
    severities = AdverseEvent.Severity

    def row(name: "StrOrPromise", kind: str | None) -> "list[StrOrPromise]":
        after = found.get((kind, None), (0, 0))[1]
        cells = [
            sum(n for (k, s), (n, _after) in found.items() if s == severity and kind in (None, k))
            for severity in severities
        ]
        share = ranged(figure_of(after, scopes, basis=PERIOD, unit=PER_THOUSAND))
        return [name, *map(grouped, cells), grouped(after), share]

    return Block(
        key="events",
        title=title,
        summary=_(
            "Events within 30 days of the %(n)s colonoscopies of these days, after a result or in surveillance, unless the committee"
            " judged them not related. A colonoscopy with two events stands in both rows and once in the last."
        )
        % {"n": grouped(scopes)},
        columns=[
            _("What happened"),
            *(one.label.capitalize() for one in severities),
            _("Colonoscopies"),
            _("Per 1,000 (95 % interval)"),
        ],
        rows=[row(kind.label.capitalize(), kind.value) for kind in AdverseEvent.Kind] if scopes else [],
        foot=row(_("All"), None) if scopes else (),
        basis=PERIOD,
        maturity=period_maturity(asked, after=HEARD_DAYS),
        empty=_("No colonoscopy was made on these days."),
        wrapped=True,
    )
