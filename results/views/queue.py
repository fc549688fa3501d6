"""The page "Who needs me next": today's calls and dates first, then everybody open, most overdue first."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache
from typing import Any

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.safestring import SafeString
from django.utils.text import capfirst
from django.utils.translation import get_language, ngettext
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET

from results.calendar_week import unconfirmed
from results.follow_up_rules import WAIT_LOOK, histology_wait, rule_words
from results.models import ContactAttempt, Referral, ReferralMove, ResultsPolicy
from results.referral_attendance import attendance_missing
from results.referral_clocks import Clocks, promised_by
from results.referral_hands import Away
from results.referral_ladder import waited
from results.referral_queue import (
    CALL_BACK,
    DUE,
    NEEDS,
    PAGE,
    POOLS,
    QueueCounts,
    QueueFilters,
    areas,
    last_contacts,
    last_moves,
    moves_of_the_waiting,
    queue_counts,
    queue_rows,
)
from results.referral_story import language_name, paused_days, said
from results.services.after_examination import calls_due_count
from results.services.calendar_moves import people_to_move
from results.services.re_offers import re_offers_due
from results.services.referrals_frame import results_policy_on, wait_policy
from results.services.typed_high import typed_high_waiting
from results.states import REFERRAL
from screening.access import people_listed
from screening.eligibility import age_on
from staff import clock
from staff.models import User

PLACE = "who needs me next"


@dataclass
class Row:
    """One referral as the table shows it, ready words only: the template draws a hundred of them."""

    pk: int
    bucket: int
    url: str
    claim_url: str
    name: str
    about: str
    need: str
    bar: SafeString
    service: str
    why: SafeString
    due: str
    time: str
    overdue: str
    contact: str
    holder: str
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
    protocol = results_policy_on(today)
    policy = wait_policy(protocol)
    with transaction.atomic():
        counts = queue_counts(by=user, today=today, policy=policy)
        away = Away(today)
        chosen = queue_rows(filters, by=user, today=today, policy=policy, away=away.ids)
        total = chosen.count() if filters.chosen or away.ids else counts.open
        first = min((filters.page - 1) * PAGE, max(0, (total - 1) // PAGE * PAGE))
        page = list(chosen[first : first + PAGE])
        ids = [one.pk for one in page]
        behind = Behind(last_contacts(ids), last_moves(ids), moves_of_the_waiting(ids))
        typed_high = typed_high_waiting(clock.now())
        listed = [one.person_id for one in page] + [one.person.pk for one in typed_high]
        people_listed(by=user, person_ids=listed, place=PLACE)
    words = RowWords(user, today, protocol, away.ids)
    rows = [words.row(one, behind) for one in page]
    context = {
        "filters": filters,
        "counts": counts,
        "groups": _groups(rows),
        "total": total,
        "showing": _showing(first, len(page), total),
        "earlier_url": filters.address(page=first // PAGE) if first else "",
        "later_url": filters.address(page=first // PAGE + 2) if first + PAGE < total else "",
        "states": _states(filters, counts),
        "needs": _needs(filters, counts),
        "areas": areas(),
        "pools": POOLS,
        "after_calls": calls_due_count(today),
        "policy": policy,
        "away": away.owners,
        "holder": _holder(filters),
        "typed_high": typed_high,
        "unconfirmed": unconfirmed(today).count(),
        "to_move": people_to_move().count(),
        "re_offers": re_offers_due(today).count(),
        "unanswered": attendance_missing(clock.now()).count(),
        "checked_at": clock.now(),
    }
    return render(request, "results/queue.html", context)


def _holder(filters: QueueFilters) -> User | None:
    """Whose referrals the address asks for."""
    number = filters.owner.removeprefix("user-")
    return User.objects.filter(pk=int(number)).first() if number != filters.owner else None


@lru_cache(maxsize=4000)
def days_bar(days: int, promise: int, tone: str, word: str, language: str) -> SafeString:
    """The bar of days waited, drawn once for each number of days and language."""
    of = promise if days <= promise else ""
    return render_to_string("components/_days_bar.html", {"days": days, "of": of, "word": word, "tone": tone})


@dataclass(frozen=True)
class Behind:
    """What stands behind the rows of a page, by referral."""

    contacts: dict[int, ContactAttempt]
    moves: dict[int, ReferralMove]
    waiting: dict[int, list[ReferralMove]]


@lru_cache(maxsize=4000)
def why_words(rule: str, promised: str, language: str, days: tuple[int, int]) -> SafeString:
    """Why the next date is what it is, and what is promised, drawn once for each rule and day.

    `days`: the protocol's days to the report, and its working days to the histology.
    """
    lines = [_("The examination is promised up to %(day)s.") % {"day": promised}]
    context = {"words": rule_words(rule, *days), "lines": lines, "about": _("the next date"), "row_key": "w"}
    return render_to_string("components/_why.html", context)


class RowWords:
    """Puts referrals into words, looking each word up once a page."""

    def __init__(self, user: User, today: date, protocol: ResultsPolicy, away: Sequence[int] = ()) -> None:
        self.days, policy = (protocol.report_days, protocol.histology_working_days), wait_policy(protocol)
        self.user, self.today, self.policy, self.away = user, today, policy, away
        self.language = get_language() or ""
        self.needs = {state: capfirst(REFERRAL.label(state)) for state in REFERRAL.states}
        self.looks = {level: (tone, str(word)) for level, (tone, word) in WAIT_LOOK.items()}
        self.day = cache(said)
        self.surveillance = _("planned surveillance")
        self.outcomes = {value: str(label) for value, label in ContactAttempt.Outcome.choices}
        self.channels = {value: str(label) for value, label in ContactAttempt.Channel.choices}
        self.overdue = cache(self._overdue)

    def row(self, referral: Referral, behind: Behind) -> Row:
        """One row."""
        person, pk, move = referral.person, referral.pk, behind.moves.get(referral.pk)
        wait = waited(min(referral.opened_on, self.today), self.today, self.policy)
        tone, word = self.looks[wait.level]
        age = _("age %(age)s") % {"age": age_on(person.birth_date, self.today)} if person.birth_date else ""
        area = person.area.name if person.area else ""
        language = person.language if person.language and not person.language.startswith("en") else ""
        promised = promised_by(referral.opened_on, self.policy.promise)
        url = reverse("results:referral", args=[pk])
        return Row(
            pk=pk,
            bucket=referral.bucket,  # type: ignore[attr-defined]
            url=url,
            claim_url=f"{url}claim/" if referral.owner_id in {None, *self.away} else "",
            name=f"{person.family_name}, {person.given_names}",
            about=", ".join(
                part
                for part in (age, area, language and language_name(language), self._origin(referral))
                if part
            ),
            need=self._need(referral),
            bar=days_bar(wait.days, self.policy.promise, tone, word, self.language),
            service=self._service(wait.days, behind.waiting.get(pk)),
            why=why_words(move.rule if move else "", self.day(promised), self.language, self.days),
            due=self.day(referral.due_on) if referral.due_on else "",
            time=f"{referral.due_time:%H:%M}" if referral.due_time else "",
            overdue=self.overdue(clock.days_between(referral.due_on, self.today) if referral.due_on else -1),
            contact=self._contact(behind.contacts.get(pk)),
            holder=referral.owner.full_name if referral.owner else "",
            mine=referral.owner_id == self.user.pk,
        )

    def _need(self, referral: Referral) -> str:
        """What the person needs next; of histology awaited too long, how long."""
        if referral.state == "histology_due":
            looked = histology_wait(referral.days_in_state(self.today))
            if looked is not None:
                return capfirst(str(looked[1]))
        return self.needs[referral.state]

    def _origin(self, referral: Referral) -> str:
        """Where it came from, unless from a result as most do."""
        return self.surveillance if referral.origin == Referral.Origin.SURVEILLANCE else ""

    def _service(self, days: int, moves: list[ReferralMove] | None) -> str:
        chosen = paused_days(moves, until=self.today) if moves else 0
        if not chosen:
            return ""
        clocks = Clocks(days, chosen)
        words = ngettext(
            "%(n)s day without the %(chosen)s the person chose",
            "%(n)s days without the %(chosen)s the person chose",
            clocks.service,
        )
        return words % {"n": clocks.service, "chosen": clocks.chosen}

    def _overdue(self, days: int) -> str:
        if days > 0:
            return ngettext("%(n)s day overdue", "%(n)s days overdue", days) % {"n": days}
        return _("today") if days == 0 else ""

    def _contact(self, contact: ContactAttempt | None) -> str:
        if contact is None:
            return ""
        how = "" if contact.channel == "phone" else f" ({self.channels[contact.channel]})"
        return f"{self.day(contact.made_on)}: {self.outcomes[contact.outcome]}{how}"


def _groups(rows: list[Row]) -> list[Group]:
    titles = {
        CALL_BACK: _("Call-backs promised, by their time"),
        DUE: _("Due today or overdue"),
        2: _("Later"),
    }
    groups: dict[int, Group] = {}
    for row in rows:
        groups.setdefault(row.bucket, Group(titles[row.bucket], [])).rows.append(row)
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
class Need:
    """One thing people need next, as a link with its count."""

    label: Any
    count: int
    url: str
    current: bool
    key: int


def _needs(filters: QueueFilters, counts: QueueCounts) -> list[Need]:
    """What people need next, in the order of the way; the same link again takes the filter off."""
    return [
        Need(
            label=label,
            count=counts.needing(need),
            url=filters.address(need="" if filters.need == need else need, state=""),
            current=filters.need == need,
            key=nth,
        )
        for nth, (need, (label, _states)) in enumerate(NEEDS.items(), start=1)
    ]


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
