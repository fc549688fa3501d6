"""The page "Who needs me next": today's calls and dates first, then everybody open, most overdue first."""

from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET

from results.follow_up_rules import WAIT_LOOK
from results.models import ContactAttempt, Referral
from results.referral_ladder import WaitPolicy, waited
from results.referral_queue import (
    CALL_BACK,
    DUE,
    PAGE,
    QueueCounts,
    QueueFilters,
    areas,
    last_contacts,
    queue_counts,
    queue_rows,
)
from results.services.referrals_frame import results_policy_on, wait_policy
from results.states import REFERRAL
from screening.eligibility import age_on
from staff import clock
from staff.access import look_recorded
from staff.models import User
from staff.models.journal import Purpose

PLACE = "who needs me next"


@dataclass
class Row:
    """One referral as the table shows it."""

    referral: Referral
    name: str
    age: int | None
    need: str
    days: int
    tone: str
    word: Any
    overdue_days: int
    contact: ContactAttempt | None
    mine: bool


@dataclass
class Group:
    """Rows that belong together: call-backs, due today or overdue, later."""

    title: str
    rows: list[Row]


@require_GET
def queue(request: HttpRequest) -> HttpResponse:
    """The list; every filter is in the address, and everybody shown is journalled."""
    user = request.user
    assert isinstance(user, User)  # noqa: S101 - the route guard lets nobody else in
    filters, today = QueueFilters.read(request.GET), clock.today()
    policy = wait_policy(results_policy_on(today))
    with transaction.atomic():
        counts = queue_counts(by=user, today=today, policy=policy)
        chosen = queue_rows(filters, by=user, today=today, policy=policy)
        total = chosen.count() if filters.chosen else counts.open
        first = min((filters.page - 1) * PAGE, max(0, (total - 1) // PAGE * PAGE))
        page = list(chosen[first : first + PAGE])
        contacts = last_contacts([one.pk for one in page])
        look_recorded(by=user, person_ids=[one.person_id for one in page], purpose=Purpose.WORKLIST, place=PLACE)
    rows = [_row(one, contacts.get(one.pk), user, policy) for one in page]
    context = {
        "filters": filters,
        "counts": counts,
        "groups": _groups(rows),
        "total": total,
        "showing": _showing(first, len(page), total),
        "earlier_url": filters.address(page=first // PAGE) if first else "",
        "later_url": filters.address(page=first // PAGE + 2) if first + PAGE < total else "",
        "states": _states(filters, counts),
        "areas": areas(),
        "checked_at": clock.now(),
    }
    return render(request, "results/queue.html", context)


def _row(referral: Referral, contact: ContactAttempt | None, user: User, policy: WaitPolicy) -> Row:
    today, person = clock.today(), referral.person
    wait = waited(min(referral.opened_on, today), today, policy)
    tone, word = WAIT_LOOK[wait.level]
    return Row(
        referral=referral,
        name=f"{person.family_name}, {person.given_names}",
        age=age_on(person.birth_date, today) if person.birth_date else None,
        need=REFERRAL.label(referral.state),
        days=wait.days,
        tone=tone,
        word=word,
        overdue_days=clock.days_between(referral.due_on, today) if referral.due_on else 0,
        contact=contact,
        mine=referral.owner_id == user.pk,
    )


def _groups(rows: list[Row]) -> list[Group]:
    titles = {CALL_BACK: _("Call-backs promised, by their time"), DUE: _("Due today or overdue"), 2: _("Later")}
    groups: dict[int, Group] = {}
    for row in rows:
        bucket: int = row.referral.bucket  # type: ignore[attr-defined]
        groups.setdefault(bucket, Group(titles[bucket], [])).rows.append(row)
    return list(groups.values())


def _showing(first: int, shown: int, total: int) -> str:
    if not shown:
        return ""
    return ngettext(
        "%(first)s to %(last)s of %(total)s open referral, most overdue first",
        "%(first)s to %(last)s of %(total)s open referrals, most overdue first",
        total,
    ) % {"first": first + 1, "last": first + shown, "total": total}


@dataclass
class StateChoice:
    """One kind of next step with its count, as a choice of the filter."""

    value: str
    label: str
    count: int
    current: bool


def _states(filters: QueueFilters, counts: QueueCounts) -> list[StateChoice]:
    return [
        StateChoice(state, REFERRAL.label(state), counts.states.get(state, 0), filters.state == state)
        for state in REFERRAL.states
        if counts.states.get(state) or filters.state == state
    ]
