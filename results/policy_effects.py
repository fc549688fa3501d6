"""What a changed follow-up policy would mean for the people who are on the way or in surveillance today; nothing is written."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from django.db.models import Count, OuterRef, Q, QuerySet, Subquery
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from results.findings import classify
from results.models import Examination, FindingClass, Histology, LesionRow, NextStep, ResultsPolicy
from results.referral_queue import open_referrals
from results.services.findings import LesionSeen, lesion_facts
from results.services.surveillance_register import plans_standing
from results.surveillance import Course, Guideline, proposal
from screening.months import add_months

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

MOST = 2000


@dataclass(frozen=True, slots=True)
class Differs:
    """One standing plan that the changed guideline would not have proposed so."""

    plan: NextStep
    before: str
    after: str
    on: date | None
    """The first day the changed guideline proposes; None where it proposes another course than surveillance."""


def effects(old: ResultsPolicy, new: ResultsPolicy, today: date) -> list["StrOrPromise"]:
    """The consequences in sentences, each with its count."""
    told: list[StrOrPromise] = []
    told += _waits(old, new, today)
    if old.surveillance_stop_age != new.surveillance_stop_age:
        before, after = (_past_stop_age(one.surveillance_stop_age) for one in (old, new))
        told.append(
            _("Plans whose person is past the stop age by their day: now %(before)s, then %(after)s.")
            % {"before": before, "after": after}
        )
    if old.surveillance_days_before != new.surveillance_days_before:
        before, after = (_to_take_up(today, one.surveillance_days_before) for one in (old, new))
        told.append(
            _("Plans to take up on this day: now %(before)s, then %(after)s.")
            % {"before": before, "after": after}
        )
    if (old.guideline, old.villous_counts) != (new.guideline, new.villous_counts):
        n = len(plans_that_differ(old, new))
        words = ngettext(
            "%(n)s standing surveillance plan would be proposed otherwise; none of them changes by itself.",
            "%(n)s standing surveillance plans would be proposed otherwise; none of them changes by itself.",
            n,
        )
        told.append(words % {"n": n})
    if old.who_books != new.who_books:
        n = open_referrals().filter(state__in=["to_book", "requested"]).count()
        told.append(
            _("%(n)s people wait for a date today. Calendars begun and standing bookings stay as they are.")
            % {"n": n}
        )
    return told


def _waits(old: ResultsPolicy, new: ResultsPolicy, today: date) -> list["StrOrPromise"]:
    told: list[StrOrPromise] = []
    words = {
        "examination_days": _("Open referrals past the promised days: now %(before)s, then %(after)s."),
        "alarm_days": _("Open referrals past the alarm: now %(before)s, then %(after)s."),
        "fail_days": _("Open referrals that count as failed: now %(before)s, then %(after)s."),
    }
    for name, sentence in words.items():
        pair = (getattr(old, name), getattr(new, name))
        if pair[0] != pair[1]:
            ends = [today - timedelta(days=days) for days in pair]
            found = open_referrals().aggregate(
                before=Count("pk", filter=Q(opened_on__lt=ends[0])),
                after=Count("pk", filter=Q(opened_on__lt=ends[1])),
            )
            told.append(sentence % found)
    return told


def _past_stop_age(stop: int) -> int:
    plans = plans_standing().values_list("on", "referral__person__birth_date")
    return sum(1 for on, born in plans if on and born and add_months(born, 12 * stop) <= on)


def _to_take_up(today: date, ahead: int) -> int:
    return plans_standing().filter(on__lte=today + timedelta(days=ahead)).count()


def plans_that_differ(old: ResultsPolicy, new: ResultsPolicy) -> list[Differs]:
    """The standing plans that the guideline of `new` would propose otherwise than that of `old`, in three queries."""
    plans = list(plans_standing()[:MOST])
    referrals = [one.referral_id for one in plans]
    seen = _lesions(referrals)
    conclusive = dict(
        Examination.objects.filter(referral__in=referrals, complete=True, prep_adequate=True)
        .order_by("day", "pk")
        .values_list("referral", "day")
    )
    found = []
    for plan in plans:
        lesions = seen.get(plan.referral_id, [])
        if not lesions:
            continue
        sure = plan.referral_id in conclusive
        before, after = (_proposed(one, lesions, sure) for one in (old, new))
        if before[0] != after[0]:
            found.append(
                Differs(plan, before[1], after[1], _first_day(after[0], conclusive.get(plan.referral_id)))
            )
    return found


def _first_day(decided: tuple[Any, Course, tuple[int, int] | None], counted_from: date | None) -> date | None:
    """The first day of a proposed surveillance, counted from the examination it rests on."""
    _finding, course, months = decided
    if course is not Course.SURVEILLANCE or months is None or counted_from is None:
        return None
    return add_months(counted_from, months[0])


def _proposed(policy: ResultsPolicy, seen: list[LesionSeen], conclusive: bool) -> tuple[Any, str]:
    """What decides, to compare, and the words for it."""
    lesions = lesion_facts(seen)
    made = proposal(Guideline(policy.guideline), lesions, conclusive=conclusive)
    finding = classify(lesions, conclusive=conclusive, villous_counts=policy.villous_counts).finding
    words = f"{FindingClass(finding).label}; {made.because}"
    if made.months:
        months = ngettext("after %(n)s month", "after %(n)s months", made.months[0]) % {"n": made.months[0]}
        words = f"{words} ({months})"
    return (finding, made.course, made.months), words


def _lesions(referral_ids: list[int]) -> dict[int, list[LesionSeen]]:
    """The lesions of these referrals with their latest histology, each as it was seen last."""
    latest = Histology.objects.filter(lesion=OuterRef("pk")).order_by("-version").values("pk")[:1]
    rows: QuerySet[LesionRow] = (
        LesionRow.objects.filter(examination__referral__in=referral_ids, seen_again__isnull=True)
        .select_related("examination")
        .annotate(latest=Subquery(latest))
        .order_by("examination__referral", "examination__day", "examination_id", "number")
    )
    told = Histology.objects.in_bulk([row.latest for row in rows if row.latest])  # type: ignore[attr-defined]
    seen: dict[int, list[LesionSeen]] = {}
    for row in rows:
        here = seen.setdefault(row.examination.referral_id, [])
        here.append(LesionSeen(len(here) + 1, row, told.get(row.latest)))  # type: ignore[attr-defined]
    return seen
