"""The day each person is next due: computed by the rule from plain facts, kept on the person for an index range read."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice

from django.db import connection, transaction
from django.db.models import Count, F, Min
from django.utils.translation import gettext as _

from screening.eligibility import (
    Eligibility,
    Exclusion,
    PersonFacts,
    Ramp,
    ScreeningPolicyFacts,
    due_period,
    eligibility,
)
from screening.models import Person, ScreeningPolicy
from screening.services.planner import few_among_many
from screening.services.policies import policy_on
from staff import clock
from staff.acting import acting
from staff.arrays import array_text
from staff.models import User

CHUNK = 20_000

_FACTS = """
SELECT p.id, p.birth_date, p.sex, p.deceased_on, p.left_area_on, p.address_1 <> '', p.merged_into_id IS NOT NULL,
    stops.since, coalesce(r.open, false), coalesce(r.followed, false), r.invited, r.resulted,
    coalesce(k.last_word, false), k.due_on, held.rows, twins.until
FROM unnest(%(ids)s::bigint[]) AS chosen (id) JOIN screening_person p ON p.id = chosen.id
CROSS JOIN LATERAL (
    SELECT p.id || array(SELECT m.id FROM screening_person m WHERE m.merged_into_id = p.id) AS ids) records
CROSS JOIN LATERAL (
    SELECT bool_or(r.state = 'follow_up') AS followed,
        bool_or(r.state IN ('kit_due', 'kit_out', 'result_due')) AS open,
        max(r.invited_on) FILTER (WHERE r.close_reason NOT IN
            ('entered_in_error', 'postponed', 'excluded', 'result_withdrawn', 'superseded', 'died')
            AND NOT (r.close_reason = 'declined' AND EXISTS (
                SELECT 1 FROM screening_stop s WHERE s.person_id = ANY(records.ids) AND s.scope = 'invitations'
                AND s.ended_on >= (r.closed_at AT TIME ZONE %(zone)s)::date))) AS invited,
        max((r.closed_at AT TIME ZONE %(zone)s)::date) FILTER (WHERE r.close_reason = 'below') AS resulted
    FROM screening_round r WHERE r.person_id = ANY(records.ids)) r
LEFT JOIN LATERAL (
    SELECT r.due_on, r.close_reason = 'follow_up_concluded' AS last_word
    FROM screening_round r WHERE r.person_id = ANY(records.ids) AND r.close_reason IN ('follow_up_concluded', 'below')
    ORDER BY r.closed_at DESC, r.id DESC LIMIT 1) k ON true
CROSS JOIN LATERAL (
    SELECT json_agg(json_build_array(e.kind, e.since, e.until, e.confirmed)) AS rows
    FROM screening_exclusion e WHERE e.person_id = ANY(records.ids)) held
CROSS JOIN LATERAL (
    SELECT min(s.since) AS since FROM screening_stop s
    WHERE s.person_id = ANY(records.ids) AND s.scope = 'invitations' AND (s.ended_on IS NULL OR s.ended_on > %(on)s)) stops
CROSS JOIN LATERAL (
    SELECT max(x.hold_until) AS until FROM screening_possibleduplicate x
    WHERE x.verdict = '' AND (x.first_id = p.id OR x.second_id = p.id)) twins
"""
"""What the rule needs of each person: looked up person by person, so that it costs the same in any registry."""

_WRITE = """
UPDATE screening_person p SET next_due_on = w.due, not_due_code = w.code
FROM unnest(%s::bigint[], %s::date[], %s::text[]) AS w(id, due, code)
WHERE p.id = w.id AND (p.next_due_on IS DISTINCT FROM w.due OR p.not_due_code <> w.code)
"""


@dataclass(frozen=True, slots=True)
class Held:
    """What a person's exclusions come to for the rule."""

    exclusions: tuple[Exclusion, ...] = ()
    postponed_until: date | None = None
    in_surveillance: bool = False


def _held(rows: Sequence[tuple[str, str, str | None, bool]] | None) -> Held:
    exclusions, postponed, surveillance = [], None, False
    for kind, since, until, confirmed in rows or ():
        end = date.fromisoformat(until) if until else None
        if kind == "postponed" and end:
            postponed = max(postponed or end, end)
        elif kind == "surveillance" and end is None:
            surveillance = True
        else:
            exclusions.append(Exclusion(kind, date.fromisoformat(since), end, confirmed))
    return Held(tuple(exclusions), postponed, surveillance)


def policy_facts(policy: ScreeningPolicy) -> ScreeningPolicyFacts:
    """The policy as the pure rule reads it."""
    return ScreeningPolicyFacts(
        age_from=policy.age_from,
        age_to=policy.age_to,
        interval_months=policy.interval_months,
        grace_days=policy.grace_days,
        ramp=_ramp(policy),
    )


def _ramp(policy: ScreeningPolicy) -> Ramp | None:
    if not policy.ramp_days or policy.ramp_age_from is None or policy.ramp_age_to is None:
        return None
    return Ramp(policy.protocol.valid_from, policy.ramp_days, policy.ramp_age_from, policy.ramp_age_to)


def person_facts(
    person_ids: Sequence[int], *, on: date, result_days: Mapping[int, date] | None = None
) -> dict[int, PersonFacts]:
    """What the rule needs to know of these people, read from the history in one query.

    `result_days` replaces the day of the last result for people whose result was authorised just now.
    """
    days = result_days or {}
    with transaction.atomic(), few_among_many(), connection.cursor() as cursor:
        cursor.execute(_FACTS, {"ids": array_text(person_ids), "on": on, "zone": clock.zone().key})
        return {row[0]: _facts(row[1:], days.get(row[0])) for row in cursor.fetchall()}


def _facts(row: tuple, result_on: date | None = None) -> PersonFacts:  # one row of _FACTS without its id
    (
        birth,
        sex,
        died,
        left,
        address,
        merged,
        opted_out,
        is_open,
        followed,
        invited,
        resulted,
        last_word,
        signed,
        rows,
        look_until,
    ) = row
    held = _held(rows)
    return PersonFacts(
        birth_date=birth,
        sex=sex,
        deceased_on=died,
        left_area_on=left,
        has_address=address,
        merged=merged,
        opted_out_since=opted_out,
        exclusions=held.exclusions,
        postponed_until=held.postponed_until,
        open_round=is_open,
        open_referral=followed,
        in_surveillance=held.in_surveillance,
        # R9: after a referral only the signed next step counts; closed without a date means no automatic recall.
        no_next_step=last_word and signed is None,
        last_invited_on=invited,
        last_result_on=result_on or resulted,
        returns_to_screening_on=signed if last_word else None,
        possible_duplicate_hold_until=look_until,
    )


def _chunks(ids: Iterable[int]) -> Iterator[list[int]]:
    rest = iter(ids)
    while chunk := list(islice(rest, CHUNK)):
        yield chunk


def due_dates_refresh(
    *, by: User, person_ids: Iterable[int] | None = None, result_days: Mapping[int, date] | None = None
) -> int:
    """Compute the next date of these people (None: of everybody) and write those that differ; returns how many.

    `result_days` gives, for people whose result was authorised just now, the day their interval counts from.
    A person without a date keeps the code of the reason; a person with one needs none, the date says it all.
    """
    written = 0
    with acting(by) as frame:
        rule = policy_facts(policy_on(frame.today))
        ids = (
            person_ids
            if person_ids is not None
            else Person.objects.order_by("pk").values_list("pk", flat=True)
        )
        for chunk in _chunks(dict.fromkeys(ids)):
            written += _write(_answers(chunk, rule, frame.today, result_days or {}))
    return written


def _answers(
    ids: list[int], rule: ScreeningPolicyFacts, on: date, result_days: Mapping[int, date]
) -> Iterator[tuple[int, date | None, str]]:
    for pk, facts in person_facts(ids, on=on, result_days=result_days).items():
        answer = eligibility(facts, rule, on)
        yield pk, answer.next_due_on, "" if answer.next_due_on else str(answer.code)


NewFacts = tuple[date | None, date | None, date | None, bool]
"""Birth, death, and day of leaving of a person without a history, and whether there is an address."""
NewAnswer = tuple[date | None, date | None, date | None, bool, date | None, str]
"""The same with the next date and the code of the reason for none."""


def answers_of_new(facts: Iterable[NewFacts], *, rule: ScreeningPolicyFacts, on: date) -> list[NewAnswer]:
    """What `due_dates_refresh` would write of people with these facts."""
    answers = []
    for birth, died, left, addressed in facts:
        person = PersonFacts(birth, deceased_on=died, left_area_on=left, has_address=addressed)
        day, obstacle = due_period(person, rule, on)
        answers.append((birth, died, left, addressed, day, "" if day else str(obstacle)))
    return answers


def _write(answers: Iterable[tuple[int, date | None, str]]) -> int:
    rows = list(answers)
    with few_among_many(), connection.cursor() as cursor:
        cursor.execute(_WRITE, [array_text(r[n] for r in rows) for n in range(3)])
        return int(cursor.rowcount)


def due_dates_sweep(*, by: User) -> int:
    """Once a day: take off the list the people whom time alone has taken out (too old now, or left today)."""
    with acting(by) as frame, connection.cursor() as cursor:
        policy = policy_on(frame.today)
        cursor.execute(
            "SELECT id FROM screening_person WHERE next_due_on IS NOT NULL AND (left_area_on <= %s OR birth_date <="
            " ((%s::date - %s::int) - make_interval(years => %s))::date) ORDER BY id",
            [frame.today, frame.today, policy.grace_days, policy.age_to + 1],
        )
        return due_dates_refresh(by=by, person_ids=[pk for (pk,) in cursor.fetchall()])


def due_people_count(on: date, *, area_id: int | None = None) -> int:
    """How many people are due on a day: a range read of the index `person_due_first`."""
    people = Person.objects.filter(next_due_on__lte=on)
    return (people.filter(area_id=area_id) if area_id else people).count()


@dataclass(frozen=True)
class AreaDue:
    """How many people of one area are due, and since when the first of them."""

    name: str
    due: int
    since: date


def due_people_by_area(on: date) -> list[AreaDue]:
    """How many people are due on a day, area by area; people without an area come last."""
    people = Person.objects.filter(next_due_on__lte=on).order_by(F("area__name").asc(nulls_last=True))
    rows = people.values_list("area__name").annotate(n=Count("pk"), since=Min("next_due_on"))
    return [AreaDue(name or _("no area"), n, since) for name, n, since in rows]


def person_eligibility(person: Person, *, on: date) -> Eligibility:
    """Whether this person is due, why not, and what would change it."""
    facts = person_facts([person.pk], on=on)[person.pk]
    return eligibility(facts, policy_facts(policy_on(on)), on)
