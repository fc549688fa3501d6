"""What changed on a referral since somebody's page was drawn: each field with what it was, what it is now, who and when."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from results.assessment_rules import QUESTIONS
from results.models import Assessment, Referral, ReferralMove
from results.referral_story import said
from results.states import REFERRAL
from staff.roles import Pool

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


@dataclass(frozen=True)
class Change:
    """One field that is not what the reader saw: both values, whose change it was, and what the reader typed for it."""

    field: "StrOrPromise"
    was: str
    now: str
    who: str
    when: str
    yours: str = ""


def _holder(move: ReferralMove) -> str:
    if move.owner is not None:
        return move.owner.full_name
    return str(Pool(move.pool).label) if move.pool else ""


def _time(move: ReferralMove) -> str:
    return f"{move.due_time:%H:%M}" if move.due_time else ""


FIELDS: Mapping[str, tuple["StrOrPromise", Callable[[ReferralMove], str]]] = {
    "state": (_("What is needed"), lambda move: str(capfirst(REFERRAL.label(move.to_state)))),
    "due_on": (_("Next date"), lambda move: said(move.due_on) if move.due_on else ""),
    "due_time": (_("Time of day"), _time),
    "holder": (_("Held by"), _holder),
}
TYPED_FOR: Mapping[str, str] = {
    "due_on": "due_on", "call_back_on": "due_on", "until": "due_on", "on": "due_on", "day": "due_on",
    "due_time": "due_time", "call_back_at": "due_time", "time": "due_time", "to": "holder",
}  # fmt: skip
"""Field of a form → the field of the referral it sets."""


def changes_since(referral: Referral, seen: int, typed: Mapping[str, Any]) -> list[Change]:
    """The fields of a referral that are no longer what the page with move `seen` showed; one query.

    `typed`: what the reader had typed, by form field, so that both stand side by side.
    """
    moves = list(
        referral.moves.select_related("actor", "owner").filter(seq__gte=seen).order_by("seq")
    )  # fmt: skip
    return changes_between(moves, typed)


def changes_between(moves: Sequence[ReferralMove], typed: Mapping[str, Any]) -> list[Change]:
    """The same from the moves: the first is the one that was seen, the last is how it stands now."""
    if len(moves) < 2:
        return []
    found = []
    for name, (label, read) in FIELDS.items():
        was, now = read(moves[0]), read(moves[-1])
        if was == now:
            continue
        by = next(after for before, after in reversed(list(pairwise(moves))) if read(before) != read(after))
        found.append(
            Change(label, was, now, by.actor.full_name, said(by.occurred_at), _yours(name, typed))
        )  # fmt: skip
    return found


ASSESSED = frozenset({"assessed_again", "rechecked", "doctor", "unfit", "declines"})
"""Reasons of moves that an assessment made without leading on."""
LABELS: Mapping[str, "StrOrPromise"] = {
    "outcome": _("Outcome"), "preparation": _("Bowel preparation"), "medicine_plan": _("Plan for the medicines"),
    "interpreted_by": _("Who interprets"), "plan": _("Plan and conditions"), "until": _("Unfit until"),
}  # fmt: skip
CHOICES: Mapping[str, Mapping[str, Any]] = {
    "outcome": dict(Assessment.Outcome.choices),
    "preparation": dict(Assessment.Preparation.choices),
}


def assessment_changes(referral: Referral, seen: int, typed: Mapping[str, Any]) -> list[Change]:
    """Where a typed assessment differs from one that a colleague recorded since; empty when nobody did."""
    since = referral.moves.select_related("actor").filter(seq__gt=seen).order_by("seq")
    made = [move for move in since if move.event == "assessed" or move.reason in ASSESSED]
    known = list(referral.assessments.order_by("-pk")[: len(made) + 1])
    if not made or not known:
        return []
    now, was = known[0], known[len(made)] if len(known) > len(made) else None
    who, when = made[-1].actor.full_name, said(made[-1].occurred_at)
    found = []
    for name in (*QUESTIONS, *LABELS):
        stands, yours = _answer(now, name), typed_words(typed.get(name)) if name in typed else ""
        if name in LABELS and typed.get(name) in {None, ""}:
            continue
        if name in CHOICES:
            yours = str(CHOICES[name].get(str(typed.get(name)), yours))
        if stands != yours:
            label = QUESTIONS[name].label if name in QUESTIONS else LABELS[name]
            found.append(
                Change(str(capfirst(label)), _answer(was, name) if was else "", stands, who, when, yours)
            )
    return found


def _answer(made: Assessment, name: str) -> str:
    """One field of a stored assessment in words."""
    if name in CHOICES:
        return str(CHOICES[name].get(getattr(made, name), ""))
    value = getattr(made, name)
    return "" if value is None or value == "" else typed_words(value)


def _yours(name: str, typed: Mapping[str, Any]) -> str:
    """What was typed for a field, in words."""
    for key, meant in TYPED_FOR.items():
        value = typed.get(key)
        if meant == name and value:
            return typed_words(value)
    return ""


def typed_words(value: Any) -> str:
    """A cleaned value of a form in words."""
    if value is None or value == "":
        return ""
    if value is True or value is False:
        return str(_("Yes") if value else _("No"))
    if hasattr(value, "full_name"):
        return str(value.full_name)
    if hasattr(value, "hour") and not hasattr(value, "year"):
        return f"{value:%H:%M}"
    return said(value) if hasattr(value, "year") else str(value)
