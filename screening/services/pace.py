"""How many people may be invited on a working day, by area and in all; what is left of it today.

Source: the programme's job description 2.3 (a number for each working day; slow or pause by area with one control).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from django.db.models import Count
from django.utils.translation import gettext as _

from screening.models import Area, InvitationPace, Round
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import NonWorkingDay, User
from staff.working_days import is_working


@dataclass(frozen=True, slots=True)
class PaceLeft:
    """What may still be invited today: in all (None: no limit), and by area id; areas not named have no limit of their own."""

    whole: int | None = None
    areas: Mapping[int, int] = field(default_factory=dict)

    @property
    def limited(self) -> bool:
        """Whether any pace is in force."""
        return self.whole is not None or bool(self.areas)


def pace_set(
    *, by: User, area: Area | None, per_day: int | None, since: date, note: str = ""
) -> InvitationPace:
    """Set the pace of an area, or of all together, from today or a later day on; without a number the limit ends."""
    with acting(by, reason="pace of the invitations") as frame:
        if since < frame.today:
            raise RoundbookError("days_wrong", _("A pace begins today or later."), field="since")
        if per_day is not None and not 1 <= per_day <= 50_000:
            raise RoundbookError(
                "pace_wrong",
                _("A pace is 1 to 50,000 people a day. To invite nobody, pause."),
                field="per_day",
            )
        return InvitationPace.objects.create(
            area=area, per_day=per_day, since=since, note=note.strip()[:200], made_at=frame.now, made_by=by
        )


def paces_on(day: date) -> dict[int | None, int]:
    """The pace in force on a day by area id (None: all together); areas without one are not in it."""
    found: dict[int | None, int | None] = {}
    for area_id, per_day in (
        InvitationPace.objects.filter(since__lte=day)
        .order_by("since", "pk")
        .values_list("area_id", "per_day")
    ):
        found[area_id] = per_day
    return {area_id: per_day for area_id, per_day in found.items() if per_day is not None}


def pace_left(day: date) -> PaceLeft:
    """What the pace leaves for a day after those invited that day already (rounds entered in error do not count).

    RoundbookError `not_a_working_day` where a pace is in force and the programme does not work that day.
    """
    paces = paces_on(day)
    if not paces:
        return PaceLeft()
    closed = set(NonWorkingDay.objects.filter(site=None, day=day).values_list("day", flat=True))
    if not is_working(day, closed):
        raise RoundbookError(
            "not_a_working_day", _("The pace counts working days, and today is none. Invite on the next one.")
        )
    invited = _invited_on(day)
    whole = paces.get(None)
    return PaceLeft(
        whole=None if whole is None else max(whole - sum(invited.values()), 0),
        areas={
            area_id: max(per_day - invited.get(area_id, 0), 0)
            for area_id, per_day in paces.items()
            if area_id is not None
        },
    )


def _invited_on(day: date) -> dict[int | None, int]:
    rounds = Round.objects.filter(invited_on=day).exclude(close_reason="entered_in_error").order_by()
    return dict(rounds.values_list("area_id").annotate(n=Count("pk")))


@dataclass(frozen=True, slots=True)
class PaceRow:
    """One pace in force: of which area (empty: all together), how many a day, how many of them today, and who set it when."""

    area: str
    per_day: int
    today: int
    set_by: str
    since: date


def paces_shown(day: date) -> list[PaceRow]:
    """The paces in force on a day with what they let through that day, all together first."""
    paces, invited = paces_on(day), _invited_on(day)
    newest: dict[int | None, InvitationPace] = {}
    for one in (
        InvitationPace.objects.filter(since__lte=day)
        .select_related("area", "made_by")
        .order_by("since", "pk")
    ):
        newest[one.area_id] = one
    found = [
        PaceRow(
            one.area.name if one.area else "", paces[area_id],
            sum(invited.values()) if area_id is None else invited.get(area_id, 0), str(one.made_by), one.since,
        )
        for area_id, one in newest.items() if area_id in paces
    ]  # fmt: skip
    return sorted(found, key=lambda row: row.area)


@dataclass(frozen=True, slots=True)
class PaceToCome:
    """A pace that begins later: of which area (empty: all together), how many a day (None: no limit any more), from when."""

    area: str
    per_day: int | None
    set_by: str
    since: date


def paces_to_come(day: date) -> list[PaceToCome]:
    """The paces that begin after a day, the earliest first; of several from the same day the one set last counts."""
    coming = InvitationPace.objects.filter(since__gt=day).select_related("area", "made_by")
    newest = {(one.since, one.area_id): one for one in coming.order_by("pk")}
    found = [
        PaceToCome(one.area.name if one.area else "", one.per_day, str(one.made_by), one.since)
        for one in newest.values()
    ]
    return sorted(found, key=lambda row: (row.since, row.area))
