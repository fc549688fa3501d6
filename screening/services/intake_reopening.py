"""People whose closed round opens again at the bench are no longer due; only those kits pay for the look."""

from collections.abc import Sequence

from screening.services.due import due_dates_refresh
from screening.services.intake_effects import Effects
from staff.models import User


def reopened_dates_refresh(*, by: User, many: Sequence[Effects]) -> int:
    """Compute the next date of everybody whose round a late kit opened again; returns how many changed (R7).

    Call inside `acting(...)`, after the moves are written.
    """
    people = [effects.kit.person_id for effects in many if effects.kit.person_id and effects.reopens]
    return due_dates_refresh(by=by, person_ids=people) if people else 0
