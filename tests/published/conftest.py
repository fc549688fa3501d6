"""Published tables as rows of the database: facts of so many people, counted by the pipeline that counts everybody's."""

from collections.abc import Callable, Mapping
from datetime import date

import pytest
from django.db import connection, transaction

from oversight.figures import Figure
from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.models import Fold
from oversight.rollup.facts import COLUMNS
from oversight.services.figures import figures
from oversight.services.rollup import cells_from_facts, definition
from staff import clock

MONTH = date(2024, 3, 1)
LATER = date(2029, 3, 1)
Tell = Callable[[Mapping[str, int]], Mapping[str, Figure]]

FILL = """
INSERT INTO oversight_fact ({columns})
SELECT i, i, true, false, %(month)s, %(month)s, 0, 'female', 60, 0, 0, 0, 1, (i <= %(tested)s)::int, 0, 0, false, i > %(invited)s - %(lost)s, NULL,
    CASE WHEN i <= %(tested)s THEN %(month)s::date + 10 END, CASE WHEN i <= %(tested)s THEN %(month)s::date + 12 END,
    NULL, NULL, NULL, NULL, NULL, CASE WHEN i <= %(tested)s THEN %(month)s::date + 12 END, CASE WHEN i <= %(tested)s THEN
        CASE WHEN i <= %(high)s THEN 40 ELSE 0 END END,
    i <= %(high)s, false, NULL, NULL, CASE WHEN i <= %(high)s THEN i END, NULL, NULL, NULL,
    CASE WHEN i <= %(examined)s THEN %(month)s::date + 40 END, NULL, NULL, '',
    (i <= %(examined)s)::int, (i <= %(complete)s)::int, (i <= %(examined)s)::int, i <= %(examined)s,
    (i <= %(harmed)s)::int, 0, 0, 0, 0, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL,
    CASE WHEN i <= %(cancer)s THEN 'cancer' WHEN i <= %(cancer)s + %(advanced)s THEN 'advanced_adenoma'
         WHEN i <= %(cancer)s + %(advanced)s + %(other)s THEN 'non_advanced' WHEN i <= %(examined)s THEN 'nothing' ELSE '' END,
    CASE WHEN i <= %(high)s THEN 'concluded_examined' WHEN i <= %(tested)s THEN 'below' ELSE 'not_returned' END
FROM generate_series(1, %(invited)s) i
"""
NOBODY = {
    "lost": 0,
    "tested": 0,
    "high": 0,
    "examined": 0,
    "complete": 0,
    "harmed": 0,
    "cancer": 0,
    "advanced": 0,
    "other": 0,
}


@pytest.fixture
def told(region: None) -> Tell:
    """Put so many people into the facts, and read every indicator of theirs through the cells."""

    def tell(counts: Mapping[str, int]) -> Mapping[str, Figure]:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("DELETE FROM oversight_fact")
            for table in (
                "invitedcell",
                "arrivedcell",
                "releasedcell",
                "examinedcell",
                "invitedline",
                "arrivedline",
                "releasedline",
                "examinedline",
                "duecell",
                "dueline",
                "valuecell",
                "sourcecell",
                "waitcell",
            ):
                cursor.execute(f"DELETE FROM oversight_{table}")
            people = {"invited": counts.get("tested", 0), **counts}
            cursor.execute(FILL.format(columns=", ".join(COLUMNS)), {**NOBODY, "month": MONTH, **people})
            cells_from_facts(cursor)
            Fold.objects.create(kind="rebuild", made_at=clock.now(), definition=definition())
        with clock.at(clock.moment(LATER, 12)):
            return figures(Asked(MONTH, date(2024, 3, 31)), list(indicators())).total.figures

    return tell
