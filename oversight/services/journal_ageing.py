"""Lets entries of the access journal go when their time is over, so that the seal knows of it; asked by one person, agreed by another.

How long the journal is kept is local law; the usual ten years are the project's job description, section 9.
"""

from dataclasses import dataclass
from datetime import date, datetime

from django.conf import settings
from django.db import connection
from django.utils.translation import gettext as _

from oversight.models import AgedOut
from oversight.seal.ageing_sql import IDS, JOURNAL, LEAVING
from oversight.services.seal_told import row_of, seal_last, signature_of, steady, tables_of
from oversight.services.seal_verify import differing
from oversight.services.snapshot import lock_taken
from screening.months import add_months
from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import User
from staff.roles import Role

MAY_AGE_OUT = (Role.ADMINISTRATOR, Role.MANAGER)


@dataclass(frozen=True, slots=True)
class Leaving:
    """The entries whose time is over: those of whole months before a day."""

    before: date
    rows: int
    highest: int
    first: datetime | None
    last: datetime | None
    people: int


def past_before(on: date) -> date:
    """The first of the month before which entries are past their time on a day."""
    return add_months(on.replace(day=1), -12 * settings.JOURNAL_KEPT_YEARS)


def journal_leaving(on: date) -> Leaving:
    """What would go on a day, without letting it go."""
    before = past_before(on)
    rows, highest, first, last, people = row_of(LEAVING, {"before": before})
    return Leaving(before, rows, highest or 0, first, last, people)


def journal_age_out(*, by: User, agreed_by: User) -> AgedOut | None:
    """Delete the entries whose time is over and keep, signed, which they were; None where there are none.

    Refused while a row of the journal differs from its seal, or one that would go is not sealed yet: what goes then could not
    be told from what somebody took.
    """
    require_role(by, *MAY_AGE_OUT)
    require_role(agreed_by, *MAY_AGE_OUT)
    if by.pk == agreed_by.pk:
        raise RoundbookError("same_person", _("Somebody else has to agree. Name a second person."))
    with acting(by, reason="journal: time is over") as frame:
        steady()
        leaving = journal_leaving(clock.today())
        if not leaving.rows:
            return None
        if not lock_taken("seal"):
            raise RoundbookError("busy", _("The night is being sealed. Try again in some minutes."))
        seal = _as_sealed(leaving)
        (ids,) = row_of(IDS, {"before": leaving.before})
        row = AgedOut(
            name=JOURNAL, before=leaving.before, ids=ids, rows=leaving.rows, seal_id=seal, asked_by=by, agreed_by=agreed_by,
            made_at=frame.now,
        )  # fmt: skip
        row.signature = signature_of(row.digest())
        row.save(force_insert=True)
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute("SELECT roundbook_journal_age_out(%s)", [leaving.before])
    return row


def _as_sealed(leaving: Leaving) -> int:
    """The last seal, when every entry that would go is as it was sealed."""
    last = seal_last()
    found = next((one for one in tables_of(last) if one[0].name == JOURNAL), None) if last else None
    if last is None or found is None or leaving.highest > found[1].upto:
        raise RoundbookError(
            "not_sealed", _("Some of these entries are not sealed yet. Run manage.py seal first.")
        )
    if next(differing(*found), None) is not None:
        raise RoundbookError(
            "journal_differs",
            _(
                "The journal is not as it was sealed, so nothing was deleted. Run manage.py seal --verify --all and have it"
                " looked into first."
            ),
        )
    return int(last.pk)
