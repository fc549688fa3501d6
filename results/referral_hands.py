"""Who holds how many open referrals, who is away, and what nobody holds; reads only."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Count, Exists, Min, OuterRef, Q, QuerySet
from django.utils.functional import cached_property

from results.models import Absence, HandOver
from results.referral_queue import open_referrals
from staff.models import Posting, User
from staff.roles import Role

FOLLOWERS = (Role.COORDINATOR, Role.CLINICIAN)
NEAREST_LAST = (
    "to_reach", "undecided", "paused_until", "to_assess", "to_book", "requested", "repeat_planned", "elsewhere",
    "booked", "report_due", "histology_due", "to_classify",
)  # fmt: skip
"""States from the least far on the way to the furthest: whoever is least far has least to lose by another face."""


def followers() -> QuerySet[User]:
    """Everybody who may hold a referral: an active person, coordinator or clinician."""
    posted = Posting.objects.filter(user=OuterRef("pk"), role__in=FOLLOWERS)
    return User.objects.filter(Exists(posted), is_active=True, api_client__isnull=True)


def absences_on(day: date) -> QuerySet[Absence]:
    """The absences that cover a day."""
    return Absence.objects.filter(Q(until__isnull=True) | Q(until__gte=day), since__lte=day)


def here_on(day: date) -> QuerySet[User]:
    """Everybody who may hold a referral and is at work on a day."""
    return followers().exclude(pk__in=absences_on(day).values("user_id"))


@dataclass(frozen=True)
class AwayOwner:
    """One absent owner: so many referrals that nobody holds today (R18)."""

    user: User
    why: str
    """`left` (account disabled or role taken away) or `away`."""
    until: date | None
    n: int
    due: int
    call_backs: int
    opened_on: date


class Away:
    """Owners of open referrals who are not there on a day; one query when nobody is away, two when somebody is."""

    def __init__(self, day: date) -> None:
        self.day = day

    @cached_property
    def ids(self) -> list[int]:
        """The ids of the absent owners."""
        owners = open_referrals().filter(owner__isnull=False).values("owner_id").distinct()
        return list(
            User.objects.filter(pk__in=owners)
            .exclude(pk__in=here_on(self.day).values("pk"))
            .values_list("pk", flat=True)
        )

    @cached_property
    def owners(self) -> list[AwayOwner]:
        """One row for each absent owner, most referrals first."""
        if not self.ids:
            return []
        counts = {
            row["owner_id"]: row
            for row in open_referrals()
            .filter(owner_id__in=self.ids)
            .values("owner_id")
            .annotate(
                n=Count("pk"),
                due=Count("pk", filter=Q(due_on__lte=self.day)),
                call_backs=Count("pk", filter=Q(due_on__lte=self.day, due_time__isnull=False)),
                opened=Min("opened_on"),
            )
        }
        until = {one.user_id: one.until for one in absences_on(self.day).filter(user_id__in=self.ids)}
        rows = []
        for user in User.objects.filter(pk__in=counts):
            row = counts[user.pk]
            why = "away" if user.pk in until else "left"
            rows.append(
                AwayOwner(
                    user, why, until.get(user.pk), row["n"], row["due"], row["call_backs"], row["opened"]
                )
            )
        return sorted(rows, key=lambda one: (-one.n, one.user.full_name))


@dataclass(frozen=True)
class Load:
    """What one person holds."""

    user: User
    n: int
    due: int
    overdue: int
    to_reach: int
    away_until: date | None
    away: bool


def loads(day: date) -> list[Load]:
    """How many each follower holds, most first; everybody who may hold one is listed. Three queries."""
    counts = {
        row["owner_id"]: row
        for row in open_referrals()
        .filter(owner__isnull=False)
        .values("owner_id")
        .annotate(
            n=Count("pk"),
            due=Count("pk", filter=Q(due_on__lte=day)),
            overdue=Count("pk", filter=Q(due_on__lt=day)),
            to_reach=Count("pk", filter=Q(state="to_reach")),
        )
    }
    away = {one.user_id: one.until for one in absences_on(day)}
    found = []
    for user in followers():
        row = counts.get(user.pk)
        n, due, overdue, reach = (row["n"], row["due"], row["overdue"], row["to_reach"]) if row else (0,) * 4
        found.append(Load(user, n, due, overdue, reach, away.get(user.pk), user.pk in away))
    return sorted(found, key=lambda one: (-one.n, one.user.full_name))


@dataclass(frozen=True)
class AreaLoad:
    """What nobody holds in one area."""

    code: str
    name: str
    n: int
    overdue: int


def held_by_nobody(day: date) -> list[AreaLoad]:
    """Open referrals in the coordinators' pool by area, most first; an empty code stands for people without an area."""
    rows = (
        open_referrals()
        .filter(owner__isnull=True, pool="coordinators")
        .values("person__area__code", "person__area__name")
        .annotate(n=Count("pk"), overdue=Count("pk", filter=Q(due_on__lt=day)))
        .order_by("-n", "person__area__code")
    )
    return [
        AreaLoad(row["person__area__code"] or "", row["person__area__name"] or "", row["n"], row["overdue"])
        for row in rows
    ]


def shared_out(ids: Sequence[int], among: Sequence[int], holding: Mapping[int, int]) -> list[int]:
    """Whom each of these goes to, so that everybody ends up holding as nearly the same as can be; ties by id.

    `holding`: how many each holds now. ValueError when there is nobody to share among. Pure.
    """
    if not among:
        raise ValueError("nobody to share among")
    load = {user: holding.get(user, 0) for user in among}
    chosen = []
    for _id in ids:
        least = min(load, key=lambda user: (load[user], user))
        load[least] += 1
        chosen.append(least)
    return chosen


def deputies_away(day: date, deputy: User | None = None) -> QuerySet[HandOver]:
    """Planned or running hand-overs whose deputy is away on one of the days that are left; of one deputy, or of all.

    One that begins with its deputy away goes to the coordinators' pool (`results.services.referrals_leave`).
    """
    away = Absence.objects.filter(user=OuterRef("to"), since__lte=OuterRef("absence__until"))
    left = Q(until__isnull=True) | Q(until__gte=OuterRef("absence__since")) & Q(until__gte=day)
    found = hand_overs_running().filter(Exists(away.filter(left)), to__isnull=False, absence__until__gte=day)
    return found.filter(to=deputy) if deputy is not None else found


def hand_overs_running() -> QuerySet[HandOver]:
    """Hand-overs that are planned or running, the next to begin first."""
    return (
        HandOver.objects.filter(ended_at__isnull=True)
        .select_related("absence__user", "to", "made_by")
        .order_by("absence__since", "pk")
    )
