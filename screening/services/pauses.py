"""Pauses of the invitations: made, ended, and asked for; a long holiday ahead pauses by itself."""

from datetime import date, timedelta

from django.db.models import Q, QuerySet
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from screening.models import Area, InvitationPause
from staff.acting import acting
from staff.errors import IllegalMove, RoundbookError
from staff.models import NonWorkingDay, User
from staff.working_days import long_break_ahead

LONGEST_DAYS = 120


def pause_make(
    *, by: User, kind: str, since: date, until: date, area: Area | None = None, note: str = ""
) -> InvitationPause:
    """Pause the invitations of an area, or of all; at most four months, and never into the past."""
    with acting(by, reason="invitations paused") as frame:
        if kind not in InvitationPause.Kind.values:
            raise RoundbookError("kind_unknown", _("Choose the reason from the list."))
        _days_checked(since, until, frame.today)
        return InvitationPause.objects.create(
            area=area, kind=kind, since=since, until=until, note=note.strip()[:200], made_by=by
        )


def _days_checked(since: date, until: date, today: date) -> None:
    last = since + timedelta(days=LONGEST_DAYS)
    if since < today:
        raise RoundbookError("days_wrong", _("Let the pause begin today or later."), field="since")
    if until < since:
        words = _("The pause would end before it begins. Let it end on its first day or later.")
        raise RoundbookError("days_wrong", words, field="until")
    if until > last:
        words = _("A pause lasts at most 120 days. Let this one end by %(day)s.")
        raise RoundbookError("days_wrong", words % {"day": date_format(last, "j F Y")}, field="until")


def pause_end(*, by: User, pause: InvitationPause) -> InvitationPause:
    """Invite again from today; whoever waited longest comes first."""
    with acting(by, reason="pause ended") as frame:
        pause = InvitationPause.objects.select_for_update(of=("self",)).get(pk=pause.pk)
        if pause.ended_on is not None:
            raise IllegalMove("pause_over", _("This pause is over already."))
        pause.ended_on = frame.today
        pause.save(update_fields=["ended_on"])
    return pause


def pauses_on(day: date) -> "QuerySet[InvitationPause]":
    """The pauses that hold on a day."""
    holding = Q(since__lte=day, until__gte=day, ended_on=None)
    return InvitationPause.objects.filter(holding).select_related("area", "made_by")


def pauses_coming(day: date) -> "QuerySet[InvitationPause]":
    """The pauses that hold on a day or later."""
    return (
        InvitationPause.objects.filter(until__gte=day, ended_on=None)
        .select_related("area", "made_by")
        .order_by("since")
    )


def invitations_checked(day: date) -> list[int]:
    """The areas that are paused on a day; RoundbookError when nobody may be invited at all that day."""
    holding = list(pauses_on(day))
    whole = next((p for p in holding if p.area_id is None), None)
    if whole is not None:
        facts = {"why": whole.get_kind_display(), "until": f"{whole.until:%-d %B %Y}"}
        raise RoundbookError(
            "paused", _("Invitations are paused until %(until)s: %(why)s. End the pause first.") % facts
        )
    begins = holiday_ahead(day)
    if begins is not None:
        raise RoundbookError(
            "holiday_ahead",
            _("A long holiday begins on %(day)s: kits sent now would lie in the post. Invite after it.")
            % {"day": f"{begins:%-d %B %Y}"},
        )
    return [p.area_id for p in holding if p.area_id is not None]


def holiday_ahead(day: date) -> date | None:
    """The first day of a break of four days or more that begins within five working days, if there is one."""
    closed = NonWorkingDay.objects.filter(site=None, day__range=(day, day + timedelta(days=30))).values_list(
        "day", flat=True
    )
    return long_break_ahead(day, frozenset(closed))
