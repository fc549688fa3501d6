"""Who needs me next: the open referrals in the order of work, filtered by what stands in the address."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode

from django.db.models import Case, Count, Exists, F, IntegerField, OuterRef, Q, QuerySet, Value, When
from django.utils.translation import gettext_lazy as _

from results.models import ContactAttempt, Referral, ReferralMove
from results.referral_clocks import CHOSEN
from results.referral_ladder import WaitPolicy
from results.states import REFERRAL
from screening.models import Area
from staff.models import User
from staff.roles import Pool

PAGE = 100
CALL_BACK, DUE, LATER = 0, 1, 2
POOLS = (Pool.COORDINATORS, Pool.CLINICIANS)
OWNERS = ("mine", "nobody", *POOLS)
"""Mine, in no single pair of hands, or in a pool's."""
PASTS = ("promise", "alarm", "failed")
NEEDS: dict[str, tuple[Any, tuple[str, ...]]] = {
    "reach": (_("Reach"), ("to_reach",)),
    "decide": (_("Decide"), ("undecided",)),
    "assess": (_("Assess"), ("to_assess",)),
    "book": (_("Book"), ("to_book", "requested", "repeat_planned")),
    "attend": (_("Attend"), ("booked",)),
    "report": (_("Report"), ("report_due", "elsewhere")),
    "histology": (_("Histology"), ("histology_due",)),
    "next_step": (_("Decide next step"), ("to_classify",)),
    "paused": (_("Paused"), ("paused_until",)),
}
"""What people need next → its word and the states that call for it, in the order of the way."""


@dataclass(frozen=True)
class QueueFilters:
    """What the address asks for; unknown words are left out, so an old link still opens."""

    state: str = ""
    owner: str = ""
    area: str = ""
    past: str = ""
    need: str = ""
    new: str = ""
    origin: str = ""
    page: int = 1

    @classmethod
    def read(cls, asked: Mapping[str, Any]) -> "QueueFilters":
        """The filters of an address."""
        page = str(asked.get("page", "1"))
        return cls(
            state=_known(asked.get("state"), REFERRAL.states),
            owner=_owner(asked.get("owner")),
            area=str(asked.get("area") or "")[:12],
            past=_known(asked.get("past"), PASTS),
            need=_known(asked.get("need"), NEEDS),
            new=_known(asked.get("new"), ("1",)),
            origin=_known(asked.get("origin"), Referral.Origin.values),
            page=int(page) if page.isdigit() and 0 < int(page) < 100_000 else 1,
        )

    def address(self, **other: Any) -> str:
        """The query part of an address with these filters, some of them changed."""
        names = ("need", "new", "state", "owner", "area", "past", "origin")
        values = {name: getattr(self, name) for name in names} | other
        kept = {key: value for key, value in values.items() if value not in {"", None}}
        return f"?{urlencode(kept)}" if kept else "?"

    @property
    def chosen(self) -> bool:
        """Whether anything is filtered at all."""
        return self.address() != "?"


def _owner(value: Any) -> str:
    """A known word, or `user-` and the number of somebody."""
    number = str(value or "").removeprefix("user-")
    if str(value).startswith("user-") and number.isdigit() and len(number) < 10:
        return f"user-{int(number)}"
    return _known(value, OWNERS)


def _known(value: Any, words: Any) -> str:
    return str(value) if value in words and value != "closed" else ""


@dataclass
class QueueCounts:
    """How many are open, and how many of each kind, before filtering."""

    open: int = 0
    call_backs: int = 0
    due: int = 0
    overdue: int = 0
    mine: int = 0
    nobody: int = 0
    promise: int = 0
    alarm: int = 0
    failed: int = 0
    new: int = 0
    new_late: int = 0
    surveillance: int = 0
    states: dict[str, int] = field(default_factory=dict)

    def needing(self, need: str) -> int:
        """How many need this next."""
        return sum(self.states.get(state, 0) for state in NEEDS[need][1])


def past_after(past: str, policy: WaitPolicy) -> int:
    """After how many days a wait counts as past the promise, the alarm, or failed."""
    return {"promise": policy.promise, "alarm": policy.second_alarm - 1, "failed": policy.failure - 1}[past]


UNTOUCHED = Q(owner__isnull=True, last_seq=1)
"""New and not assigned: in no pair of hands, and nothing has happened since it was opened."""


def open_referrals() -> QuerySet[Referral]:
    """Every referral that is not closed."""
    return Referral.objects.exclude(state="closed")


def queue_counts(*, by: User, today: date, policy: WaitPolicy) -> QueueCounts:
    """The counts above the list, in two queries."""
    ends = {past: today - timedelta(days=past_after(past, policy)) for past in PASTS}
    found = open_referrals().aggregate(
        open=Count("pk"),
        call_backs=Count("pk", filter=Q(due_on__lte=today, due_time__isnull=False)),
        due=Count("pk", filter=Q(due_on__lte=today)),
        overdue=Count("pk", filter=Q(due_on__lt=today)),
        mine=Count("pk", filter=Q(owner=by)),
        nobody=Count("pk", filter=Q(owner__isnull=True)),
        new=Count("pk", filter=UNTOUCHED),
        new_late=Count("pk", filter=UNTOUCHED & Q(due_on__lt=today)),
        surveillance=Count("pk", filter=Q(origin=Referral.Origin.SURVEILLANCE)),
        **{past: Count("pk", filter=Q(opened_on__lt=end)) for past, end in ends.items()},
    )
    by_state = dict(open_referrals().values_list("state").annotate(n=Count("pk")))
    return QueueCounts(**found, states=by_state)


def _in_hands(rows: QuerySet[Referral], owner: str, by: User, away: Sequence[int]) -> QuerySet[Referral]:
    """Those in the hands the filter asks for."""
    if owner == "mine":
        return rows.filter(owner=by)
    if owner.startswith("user-"):
        return rows.filter(owner_id=int(owner.removeprefix("user-")))
    if owner == "nobody":
        return rows.filter(owner__isnull=True)
    if owner:
        return rows.filter(pool=owner, owner__isnull=True)
    return rows.exclude(owner_id__in=away, owner_id__isnull=False) if away else rows


def queue_rows(
    filters: QueueFilters, *, by: User, today: date, policy: WaitPolicy, away: Sequence[int] = ()
) -> QuerySet[Referral]:
    """The open referrals that pass the filters: call-backs by their time, then the most overdue, then what comes later.

    What the owners in `away` hold is left out unless the filter asks for one pair of hands: they are a row each (R18).
    """
    rows = _in_hands(open_referrals(), filters.owner, by, away)
    if filters.state:
        rows = rows.filter(state=filters.state)
    if filters.need:
        rows = rows.filter(state__in=NEEDS[filters.need][1])
    if filters.new:
        rows = rows.filter(UNTOUCHED)
    if filters.origin:
        rows = rows.filter(origin=filters.origin)
    if filters.area:
        rows = rows.filter(person__area__code=filters.area)
    if filters.past:
        rows = rows.filter(opened_on__lt=today - timedelta(days=past_after(filters.past, policy)))
    bucket = Case(
        When(due_on__lte=today, due_time__isnull=False, then=Value(CALL_BACK)),
        When(due_on__lte=today, then=Value(DUE)),
        default=Value(LATER),
        output_field=IntegerField(),
    )
    return (
        rows.annotate(bucket=bucket)
        .select_related("person__area", "owner")
        .order_by("bucket", "due_on", F("due_time").asc(nulls_last=True), "opened_on", "pk")
    )


def last_contacts(referral_ids: list[int]) -> dict[int, ContactAttempt]:
    """The latest contact attempt of each of these referrals, in one query."""
    found = (
        ContactAttempt.objects.filter(referral_id__in=referral_ids)
        .order_by("referral_id", "-made_at", "-pk")
        .distinct("referral_id")
    )
    return {one.referral_id: one for one in found}


def last_moves(referral_ids: list[int]) -> dict[int, ReferralMove]:
    """The latest move of each of these referrals, in one query; its rule says why the next date is what it is."""
    found = ReferralMove.objects.filter(subject_id__in=referral_ids, seq=F("subject__last_seq"))
    return {one.subject_id: one for one in found}


def moves_of_the_waiting(referral_ids: list[int]) -> dict[int, list[ReferralMove]]:
    """All moves, in order, of those among these referrals whose person ever chose to wait; one query."""
    chosen = Q(pk__in=[])
    for event, reason in CHOSEN:
        chosen |= Q(event=event, reason=reason)
    waited = ReferralMove.objects.filter(chosen, subject_id=OuterRef("subject_id"))
    found: dict[int, list[ReferralMove]] = {}
    moves = ReferralMove.objects.filter(Exists(waited), subject_id__in=referral_ids)
    for move in moves.order_by("subject_id", "seq"):
        found.setdefault(move.subject_id, []).append(move)
    return found


def areas() -> list[Area]:
    """The areas to filter by."""
    return list(Area.objects.all())
