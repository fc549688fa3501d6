"""Protocols as dated proposals: drafted, looked at on the real data, approved by a second person, taken up on their day."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from typing import Any

from django.db import models, transaction
from django.utils.translation import gettext as _

from screening.eligibility import ScreeningPolicyFacts, eligibility
from screening.models import Person, Protocol, ScreeningPolicy
from screening.protocol_rules import Neighbour, Problem, protocol_problems
from screening.services.due import CHUNK, due_dates_refresh, person_facts, policy_facts
from screening.services.policies import policy_on
from staff.acting import Acting, acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import User

FIELDS = (
    "age_from", "age_to", "ramp_days", "interval_months", "grace_days", "closing_days", "closing_days_after_replacement",
    "max_replacements", "kit_minimum_life_days", "hold_working_days", "missing_date", "report_high_from_unfit", "second_person_releases", "pairs_proven",
    "pack_check_every", "one_desk",
    "scans_waiting", "feed_change_percent", "feed_empty_percent", "feed_alarm_days", "feed_oldest_days",
)  # fmt: skip
"""What a proposal may change, in the order in which the page shows it."""

EXAMPLES = 20


@dataclass
class Effect:
    """What a protocol would do on its first day, against the one in force: counts, and a few records of each kind."""

    on: str
    people: int = 0
    earlier: int = 0
    later: int = 0
    newly: int = 0
    no_longer: int = 0
    due_before: int = 0
    due_after: int = 0
    months_before: dict[str, int] = field(default_factory=dict)
    months_after: dict[str, int] = field(default_factory=dict)
    examples: list[list[Any]] = field(default_factory=list)
    against: list[Any] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Difference:
    """One field that a proposal changes."""

    label: str
    now: str
    then: str


def protocol_propose(
    *, by: User, name: str, valid_from: date, reason: str, values: Mapping[str, Any]
) -> Protocol:
    """Write a draft. RoundbookError `problems` with every objection in `data["problems"]`; then nothing is written."""
    if not reason.strip():
        raise RoundbookError("reason_missing", _("Say why the programme changes."), problems=[])
    with acting(by, reason="protocol proposed") as frame:
        base = policy_on(max(valid_from, frame.today))
        facts = {f: getattr(base, f) for f in FIELDS} | {"ramp_days": 0} | dict(values)
        _objections_raised(facts, valid_from, base, frame.today)
        protocol = Protocol.objects.create(
            name=name.strip()[:80],
            valid_from=valid_from,
            proposed_by=by,
            reason=reason.strip(),
            proposed_at=frame.now,
            carries_screening=True,
        )
        widened = facts["age_from"] < base.age_from or facts["age_to"] > base.age_to
        ScreeningPolicy.objects.create(
            protocol=protocol, **facts,
            ramp_age_from=base.age_from if widened else None, ramp_age_to=base.age_to if widened else None,
        )  # fmt: skip
    return protocol


def _objections_raised(
    facts: Mapping[str, Any], valid_from: date, base: ScreeningPolicy, today: date
) -> None:
    problems = _problems(facts, valid_from, base, today)
    if problems:
        raise RoundbookError("problems", problems[0].sentence, problems=problems)


def _problems(
    facts: Mapping[str, Any], valid_from: date, base: ScreeningPolicy, today: date
) -> list[Problem]:
    others = [
        Neighbour(*row)
        for row in Protocol.objects.filter(approved_by__isnull=False, screening__isnull=False)
        .order_by("valid_from")
        .values_list("name", "valid_from", "valid_to")
    ]
    found = protocol_problems(
        facts, valid_from=valid_from, today=today, others=others, was_from=base.age_from, was_to=base.age_to
    )
    if not found and _changes_nothing(facts, valid_from, base):
        words = _("Nothing differs from “%(name)s”, which will be in force on that day. Change something.")
        found.append(Problem("nothing_changed", "", words % {"name": base.protocol.name}))
    return found


def _changes_nothing(facts: Mapping[str, Any], valid_from: date, base: ScreeningPolicy) -> bool:
    """Whether every field stays as it is. A ramp alone changes something only while one is running, which then ends."""
    running = _ramp_ends_on(base) > valid_from
    told = [f for f in FIELDS if f != "ramp_days" or running]
    return all(getattr(base, f) == facts[f] for f in told)


def _ramp_ends_on(policy: ScreeningPolicy) -> date:
    ramp = policy_facts(policy).ramp
    return ramp.starts_on + timedelta(days=ramp.days) if ramp else date.min


def policy_differences(policy: ScreeningPolicy, base: ScreeningPolicy) -> list[Difference]:
    """What a policy changes against another, in words."""
    found = []
    for name in FIELDS:
        now, then = (_words(one, name) for one in (base, policy))
        if now != then:
            label = str(ScreeningPolicy._meta.get_field(name).verbose_name)  # type: ignore[union-attr]
            found.append(Difference(label, now, then))
    return found


def policy_words(policy: ScreeningPolicy) -> list[tuple[str, str]]:
    """Every field of a policy with its value in words."""
    return [
        (str(ScreeningPolicy._meta.get_field(name).verbose_name), _words(policy, name))  # type: ignore[union-attr]
        for name in FIELDS
    ]


def _words(policy: ScreeningPolicy, name: str) -> str:
    value = getattr(policy, name)
    if isinstance(value, bool):
        return str(_("yes") if value else _("no"))
    if name == "missing_date":
        return str(policy.get_missing_date_display())
    return str(value.normalize() if hasattr(value, "normalize") else value)


def protocol_effect(*, by: User, protocol: Protocol) -> Effect:
    """Count what the protocol would do on its first day to everybody; writes nothing but the count on the draft itself, and
    on a draft the band that its ramp widens."""
    on = protocol.valid_from
    before = protocol_before(protocol)
    if before is not None and protocol.approved_by_id is None:
        _ramp_measured(by, protocol.screening, before)
    base = policy_facts(before or protocol.screening)
    then = policy_facts(protocol.screening)
    effect = Effect(on=str(on), against=_against(before, protocol.screening))
    ids = Person.objects.filter(merged_into=None).order_by("pk").values_list("pk", flat=True)
    with transaction.atomic():
        rows = list(ids)
        for start in range(0, len(rows), CHUNK):
            _weighed(effect, rows[start : start + CHUNK], base, then, on)
    with acting(by, reason="effect of a protocol looked at"):
        Protocol.objects.filter(pk=protocol.pk, approved_by=None).update(effect=asdict(effect))
    return effect


def _ramp_measured(by: User, policy: ScreeningPolicy, before: ScreeningPolicy) -> None:
    """A draft's ramp widens the band that it would now follow, which may be another than when it was written."""
    widened = policy.age_from < before.age_from or policy.age_to > before.age_to
    band = (before.age_from, before.age_to) if widened else (None, None)
    if (policy.ramp_age_from, policy.ramp_age_to) != band:
        with acting(by, reason="ramp of a draft measured anew"):
            policy.ramp_age_from, policy.ramp_age_to = band
            policy.save(update_fields=["ramp_age_from", "ramp_age_to"])


def _against(before: ScreeningPolicy | None, policy: ScreeningPolicy) -> list[Any]:
    """What an effect hangs on beside the people: the protocol before it, what that says, and what the draft says itself."""
    rules = [str(policy_facts(one)) for one in (before, policy) if one is not None]
    return [before.protocol_id if before is not None else None, *rules]


def effect_is_void(protocol: Protocol) -> bool:
    """Whether the effect kept on a draft was counted against another protocol than the one it would now follow."""
    now = _against(protocol_before(protocol), protocol.screening)
    return bool(protocol.effect) and protocol.effect.get("against") != now


def protocol_before(protocol: Protocol) -> ScreeningPolicy | None:
    """The policy in force before this protocol's first day."""
    earlier = ScreeningPolicy.objects.filter(
        protocol__approved_by__isnull=False, protocol__valid_from__lt=protocol.valid_from
    )
    return earlier.select_related("protocol").order_by("-protocol__valid_from").first()


def _weighed(
    effect: Effect, ids: list[int], base: ScreeningPolicyFacts, then: ScreeningPolicyFacts, on: date
) -> None:
    for pk, facts in person_facts(ids, on=on).items():
        old, new = eligibility(facts, base, on), eligibility(facts, then, on)
        effect.people += 1
        effect.due_before += old.due
        effect.due_after += new.due
        _month(effect.months_before, old.next_due_on, on)
        _month(effect.months_after, new.next_due_on, on)
        kind = "" if old.due and new.due else _kind(old.next_due_on, new.next_due_on)
        if not kind:
            continue
        setattr(effect, kind, getattr(effect, kind) + 1)
        if sum(1 for row in effect.examples if row[0] == kind) < EXAMPLES:
            days = [str(d.next_due_on) if d.next_due_on else "" for d in (old, new)]
            effect.examples.append([kind, pk, *days, str(new.code)])


def _kind(old: date | None, new: date | None) -> str:
    if old == new:
        return ""
    if old is None:
        return "newly"
    if new is None:
        return "no_longer"
    return "earlier" if new < old else "later"


def _month(months: dict[str, int], day: date | None, on: date) -> None:
    """Count in the month the day lies in; overdue ones in the first month; only the first twelve are told."""
    if day is None:
        return
    shown = max(day, on)
    ahead = (shown.year - on.year) * 12 + shown.month - on.month
    if ahead < 12:
        key = f"{shown:%Y-%m}"
        months[key] = months.get(key, 0) + 1


def protocol_approve(*, by: User, protocol: Protocol) -> Protocol:
    """A second person puts a draft in force from its day; the one before ends that day. Other parts' sections are carried over.

    NotAllowed for the proposer; IllegalMove while its effect was not counted against the protocol it would now follow;
    RoundbookError when something has come to stand against it since.
    """
    with acting(by, reason="protocol approved") as frame:
        protocol = Protocol.objects.select_for_update().get(pk=protocol.pk)
        if protocol.approved_by_id is not None or protocol.withdrawn_at is not None:
            raise IllegalMove("not_a_draft", _("This is no longer a draft."))
        if protocol.proposed_by_id == by.pk:
            raise NotAllowed(
                "second_person", _("Somebody else than the one who proposed it must approve it.")
            )
        if not protocol.effect:
            raise IllegalMove("effect_not_seen", _("Look at its effect on the real data first."))
        if effect_is_void(protocol):
            raise IllegalMove(
                "effect_void",
                _("Another protocol comes before it since its effect was counted. Count it anew, and look."),
            )
        base = policy_on(protocol.valid_from)
        facts = {f: getattr(protocol.screening, f) for f in FIELDS}
        _objections_raised(facts, protocol.valid_from, base, frame.today)
        protocol_begins(frame, protocol, base.protocol)
    return protocol


def protocol_begins(frame: Acting, protocol: Protocol, base: Protocol) -> None:
    """Put a locked draft in force from its day as its second person: the one before ends that day, and every section that
    the draft has none of its own is carried over from `base`. Also for parts that propose a section of theirs: one that brings
    the screening section along rules the programme's days from then on like any other.
    """
    _neighbours_joined(protocol)
    protocol.approved_by, protocol.approved_at = frame.by, frame.now
    protocol.carries_screening = ScreeningPolicy.objects.filter(protocol=protocol).exists()
    protocol.save(update_fields=["approved_by", "approved_at", "valid_to", "carries_screening"])
    _sections_carried(protocol, base)
    frame.memo.clear()


def section_copied(row: models.Model, protocol: Protocol) -> None:
    """The same section once more, for another protocol."""
    row.pk, row._state.adding = None, True
    row.protocol = protocol  # type: ignore[attr-defined]
    row.save(force_insert=True)


def _neighbours_joined(protocol: Protocol) -> None:
    approved = Protocol.objects.filter(approved_by__isnull=False, screening__isnull=False)
    later = approved.filter(valid_from__gt=protocol.valid_from).order_by("valid_from").first()
    protocol.valid_to = later.valid_from if later else None
    before = approved.filter(valid_from__lt=protocol.valid_from).order_by("-valid_from").first()
    if before is not None:
        before.valid_to = protocol.valid_from
        before.save(update_fields=["valid_to"])


def _sections_carried(protocol: Protocol, base: Protocol) -> None:
    """A section that a part reads from the protocol in force (it says so by `CARRIED`), row for row from the one before.

    Parts whose sections are found by their own dates keep them: a copy would undo what they changed since.
    """
    for relation in Protocol._meta.related_objects:
        section: type[models.Model] = relation.related_model
        if not getattr(section, "CARRIED", False) or section._base_manager.filter(protocol=protocol).exists():
            continue
        row = section._base_manager.filter(protocol=base).first()
        if row is not None:
            section_copied(row, protocol)


def protocol_withdraw(*, by: User, protocol: Protocol) -> Protocol:
    """Take a draft back; what was proposed stays to be read."""
    with acting(by, reason="protocol withdrawn") as frame:
        protocol = Protocol.objects.select_for_update().get(pk=protocol.pk)
        if protocol.approved_by_id is not None or protocol.withdrawn_at is not None:
            raise IllegalMove("not_a_draft", _("Only a draft can be taken back."))
        protocol.withdrawn_at = frame.now
        protocol.save(update_fields=["withdrawn_at"])
    return protocol


def protocol_take_up(*, by: User) -> int:
    """On the first day of a protocol compute everybody's next date by it; once a protocol. Returns how many dates moved."""
    with acting(by, reason="protocol taken up") as frame:
        current = policy_on(frame.today).protocol
        protocol = Protocol.objects.select_for_update().get(pk=current.pk)
        if protocol.taken_up_at is not None:
            return 0
        moved = due_dates_refresh(by=by)
        Protocol.objects.filter(pk=protocol.pk).update(taken_up_at=frame.now)
    return moved
