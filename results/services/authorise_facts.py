"""What a person or the bulk release sees before authorising: each sample's reading, its class, and what stands in the
way."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Literal, cast

from django.db import connection
from django.utils.translation import gettext as _

from results import classify
from results.classify import Classification, CutoffError, Device, Side, cutoff_for
from results.models import CutoffRule, Run
from results.services.referrals_frame import results_policy_on
from results.services.samples import USABLE_UNTIL
from results.units import Comparator, Quantity
from staff import clock
from staff.errors import RoundbookError

RESOLVED_BY = frozenset({"next_step_signed", "already_examined", "examined_elsewhere", "result_withdrawn"})
GOOD_RUNS = frozenset({Run.Status.IN_CONTROL.value, Run.Status.RESOLVED.value})
ONLY_HIGH_COUNTS = "only_high_counts"
READINGS = f"""
    SELECT s.id, s.serial, s.state, s.round_id, s.person_id, d.state, d.sex_at_invitation, d.age_at_invitation,
           b.collected_earliest, {USABLE_UNTIL},
           m.id, m.stool_mg, m.buffer_ml, m.loq_ug_g, m.upper_ug_g,
           r.id, r.run_id, CASE WHEN u.status = 'held' AND EXISTS (
               SELECT 1 FROM results_bracketedreading k WHERE k.reading_id = r.id
           ) THEN 'in_control' ELSE u.status END, r.file_id, r.value * r.dilution, r.comparator, r.unit, r.flag, r.analyser_says, r.qualitative, r.analysed_on,
           (SELECT bool_or(x.is_current) FROM results_result x WHERE x.reading_id = r.id), b.state,
           coalesce(p.report_high_from_unfit, false)
    FROM {{start}} JOIN results_reading r ON r.sample_id = s.id JOIN results_run u ON u.id = r.run_id
    JOIN screening_return b ON b.id = s.return_of_id JOIN screening_round d ON d.id = s.round_id
    JOIN screening_kit k ON k.id = s.kit_id JOIN screening_lot l ON l.id = k.lot_id
    JOIN screening_kitmodel m ON m.id = l.kit_model_id
    LEFT JOIN screening_screeningpolicy p ON p.protocol_id = d.protocol_id
    WHERE {{which}} ORDER BY s.round_id, r.id
"""
"""`start` comes first and small: with more than eight tables the planner keeps the order of what is written."""
EARLIER_OPEN = """
    WITH own AS (
        SELECT p.id AS person, coalesce(p.merged_into_id, p.id) AS root FROM screening_person p WHERE p.id = ANY(%s)
    ), records AS (
        SELECT person, root AS record FROM own
        UNION ALL SELECT own.person, m.id FROM own JOIN screening_person m ON m.merged_into_id = own.root
    )
    SELECT r.person, e.round_id FROM records r
    JOIN results_result e ON e.person_id = r.record AND e.is_current AND e.side = 'at_or_above'
    WHERE NOT EXISTS (
        SELECT 1 FROM results_referralresult l JOIN results_referral f ON f.id = l.referral_id
        WHERE l.result_id = e.id AND f.state = 'closed' AND f.close_reason = ANY(%s))
"""
UNSETTLED = (
    "SELECT serial FROM results_inboxline WHERE serial = ANY(%s) AND settled_note = '' AND verdict <> 'taken'"
)


@dataclass(frozen=True, slots=True)
class ReadingFact:
    """One reading with everything its class depends on."""

    sample_id: int
    serial: str
    sample_state: str
    round_id: int
    person_id: int
    round_state: str
    sex: str
    age: int | None
    collected_earliest: date
    usable_until: date
    kit_model_id: int
    stool_mg: Decimal
    buffer_ml: Decimal
    loq: Decimal
    upper: Decimal
    reading_id: int
    run_id: int
    run_status: str
    file_id: int | None
    value: Decimal | None
    comparator: str
    unit: str
    flag: str
    analyser_says: bool | None
    yes_no: bool
    """Only the analyser's yes or no; the value is then its limit."""
    analysed_on: date
    result_stands: bool | None
    """False when a result was made of it and withdrawn; None when none was made."""
    return_state: str
    high_counts_when_old: bool

    @property
    def valid(self) -> bool:
        """Whether it may become a result: unflagged, never withdrawn, in a run in control, not too old (R2, R6)."""
        return self._sound and self.analysed_on <= self.usable_until

    @property
    def only_high_counts(self) -> bool:
        """Whether it is valid but for its age or the kit's expiry, and the protocol has a result at or above count.

        Blood in a sample only breaks down with time, so an old one reads too low, never too high: common practice, no
        source; local protocol governs.
        """
        return self._sound and self.analysed_on > self.usable_until and self.high_counts_when_old

    @property
    def _sound(self) -> bool:
        return (
            self.run_status in GOOD_RUNS
            and not self.flag
            and self.result_stands is not False
            and self.value is not None
        )


@dataclass(frozen=True, slots=True)
class Classed:
    """A reading with its class and the rule that gave it."""

    fact: ReadingFact
    rule: classify.CutoffRule
    decimals: int
    outcome: Classification

    @property
    def counts(self) -> bool:
        """Whether it may become a result of its own side: one past its age or expiry never one below."""
        return self.fact.valid or (self.fact.only_high_counts and self.outcome.side is not Side.BELOW)


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Why a result below is not released with the rest; `final` ones cannot be reasoned away here."""

    code: str
    sentence: str
    final: bool = False


@dataclass(slots=True)
class Candidate:
    """A sample on the release list: the reading that counts for it, and what stands in the way of a result below."""

    classed: Classed
    others: list[Classed]
    obstacles: list[Obstacle] = field(default_factory=list)

    @property
    def fact(self) -> ReadingFact:
        """The reading that counts."""
        return self.classed.fact

    @property
    def side(self) -> Side:
        """The side of that reading."""
        return self.classed.outcome.side

    @property
    def old_below(self) -> bool:
        """Whether it reads below and was too old or expired for that, and nothing else of its round needs a look."""
        return (
            self.side is Side.BELOW
            and self.fact.only_high_counts
            and all(one.code in (ONLY_HIGH_COUNTS, "typed", "near_cutoff") for one in self.obstacles)
        )

    @property
    def clear_below(self) -> bool:
        """Whether it goes out with the bulk release."""
        return self.side is Side.BELOW and not self.obstacles


class Classifier:
    """Classes readings by the rules of their day; one instance for the facts of one query, in which a kit model is one
    set of figures."""

    def __init__(self) -> None:
        self._rules = list(rules_in_force())
        self._rule = lru_cache(maxsize=None)(self._find_rule)
        self._classes: dict[tuple[object, ...], Classification] = {}
        self._decimals = lru_cache(maxsize=None)(lambda day: results_policy_on(day).decimals)

    def classed(self, fact: ReadingFact) -> Classed | None:
        """The class of a reading by the rule of its day of analysis for sex and age at invitation (R4, R10); None for
        one without a value."""
        if fact.value is None:
            return None
        rule = self._rule(fact.sex, fact.age, fact.analysed_on)
        decimals = self._decimals(fact.analysed_on)
        says, yes_no = fact.analyser_says, fact.yes_no
        key = (fact.comparator, fact.value, fact.unit, fact.kit_model_id, decimals, rule.id, says, yes_no)
        outcome = self._classes.get(key)
        if outcome is None:
            outcome = self._classes[key] = self._find_class(fact, fact.value, decimals, rule)
        return Classed(fact, rule, decimals, outcome)

    def _find_rule(self, sex: str, age: int | None, day: date) -> classify.CutoffRule:
        try:
            return cutoff_for(self._rules, sex, age, day)
        except CutoffError as error:
            raise RoundbookError(error.code.value, error.sentence) from None

    @staticmethod
    def _find_class(
        fact: ReadingFact, value: Decimal, decimals: int, rule: classify.CutoffRule
    ) -> Classification:
        device, says = Device(fact.buffer_ml, fact.stool_mg, fact.loq, fact.upper), fact.analyser_says
        if fact.yes_no:
            told = bool(says)
            return classify.classify_yes_no(
                told, value, fact.unit, device, decimals, rule.cutoff, rule.comparison
            )
        quantity = Quantity(cast("Comparator", fact.comparator), value)
        return classify.classify(quantity, fact.unit, device, decimals, rule.cutoff, rule.comparison, says)


def rules_in_force() -> Iterable[classify.CutoffRule]:
    """Every approved cutoff rule, whatever its dates, as the pure rule reads it."""
    for row in CutoffRule.objects.filter(approved_by__isnull=False):
        women, men = 1 in row.sex_key, 2 in row.sex_key
        sex: Literal["female", "male"] | None = None if women and men else "female" if women else "male"
        yield classify.CutoffRule(
            id=row.pk, valid_from=row.valid.lower or date.min, valid_until=row.valid.upper, cutoff=row.cutoff_ug_g,
            comparison=cast("classify.Comparison", row.comparison), sex=sex, age_from=row.ages.lower,
            age_to=None if row.ages.upper is None else row.ages.upper - 1,
        )  # fmt: skip


SIDE_FACTS = """
    SELECT d.sex_at_invitation, d.age_at_invitation, m.buffer_ml, m.stool_mg, m.loq_ug_g, m.upper_ug_g FROM results_sample s
    JOIN screening_round d ON d.id = s.round_id JOIN screening_kit k ON k.id = s.kit_id
    JOIN screening_lot l ON l.id = k.lot_id JOIN screening_kitmodel m ON m.id = l.kit_model_id WHERE s.id = %s
"""


def side_of(sample_id: int, quantity: Quantity, unit: str, dilution: int = 1) -> Side:
    """The side that a number typed for a sample would have today, before any reading of it is stored."""
    with connection.cursor() as cursor:
        cursor.execute(SIDE_FACTS, [sample_id])
        sex, age, *device = cursor.fetchone()
    today = clock.today()
    rule = cutoff_for(list(rules_in_force()), sex, age, today)
    value = Quantity(quantity.comparator, quantity.value * dilution)
    decimals = results_policy_on(today).decimals
    return classify.classify(value, unit, Device(*device), decimals, rule.cutoff, rule.comparison).side


def reading_fact(reading_id: int) -> ReadingFact:
    """Everything one reading's class depends on, as it is now."""
    with connection.cursor() as cursor:
        cursor.execute(READINGS.format(start="results_sample s", which="r.id = %s"), [reading_id])
        return ReadingFact(*cursor.fetchone())


OF_ROUNDS = """(SELECT DISTINCT x.round_id FROM unnest(%s::bigint[]) w(id) JOIN results_sample x ON x.id = w.id
    WHERE x.state = 'ready_to_authorise') o JOIN results_sample s ON s.round_id = o.round_id"""


def candidates(sample_ids: Sequence[int]) -> list[Candidate]:
    """The samples of these that are ready to release, each with the reading that counts and every obstacle."""
    classifier = Classifier()
    with connection.cursor() as cursor:
        cursor.execute(READINGS.format(start=OF_ROUNDS, which="true"), [list(sample_ids)])
        facts = [ReadingFact(*row) for row in cursor.fetchall()]
    by_round: dict[int, list[Classed]] = defaultdict(list)
    for fact in facts:
        classed = classifier.classed(fact)
        if classed is not None:
            by_round[fact.round_id].append(classed)
    wanted = set(sample_ids)
    found = [
        candidate
        for readings in by_round.values()
        for candidate in _of_round(readings)
        if candidate.fact.sample_id in wanted
    ]
    _add_obstacles(found)
    return found


def _of_round(readings: list[Classed]) -> Iterable[Candidate]:
    by_sample: dict[int, list[Classed]] = defaultdict(list)
    for one in readings:
        by_sample[one.fact.sample_id].append(one)
    for own in by_sample.values():
        if own[0].fact.sample_state != "ready_to_authorise":
            continue
        valid = [one for one in own if one.fact.valid or one.fact.only_high_counts]
        if valid:
            high = [one for one in valid if one.outcome.side is Side.AT_OR_ABOVE]
            counting = high[0] if high else valid[-1]
            yield Candidate(counting, [one for one in readings if one is not counting])


def _add_obstacles(found: Sequence[Candidate]) -> None:
    unresolved = _unresolved_people(found)
    with connection.cursor() as cursor:
        cursor.execute(UNSETTLED, [[c.fact.serial for c in found]])
        unsettled = {row[0] for row in cursor.fetchall()}
    margins: dict[date, int] = {}
    for candidate in found:
        day = candidate.fact.analysed_on
        if day not in margins:
            margins[day] = results_policy_on(day).near_cutoff_percent
        candidate.obstacles += _obstacles(candidate, unresolved, unsettled, margins[day])


def _obstacles(
    candidate: Candidate, unresolved: Mapping[int, set[int]], unsettled: set[str], margin: int
) -> Iterable[Obstacle]:
    fact = candidate.fact
    higher = [one for one in candidate.others if one.outcome.side is not Side.BELOW]
    if any(one.counts for one in higher):
        yield Obstacle(
            "another_reading_high",
            _("Another valid reading of this round is at or above the cutoff, or could be. It stands (R5)."), final=True,
        )  # fmt: skip
    elif higher:
        yield Obstacle(
            "earlier_reading_high",
            _(
                "An earlier reading of this round was at or above the cutoff but is not valid (flagged, held, withdrawn or too old)."
            ),
        )
    if fact.only_high_counts:
        yield Obstacle(
            ONLY_HIGH_COUNTS,
            _(
                "It was measured past its age or expiry, so only a result at or above counts. Nothing below is reported; a new kit is sent."
            ),
            final=True,
        )
    if fact.return_state != "ready":
        yield Obstacle(
            "desk_rejected", _("The desk has rejected this kit since it was measured. Nothing below is reported from it."),
            final=True,
        )  # fmt: skip
    if unresolved.get(fact.person_id, set()) - {fact.round_id}:
        yield Obstacle(
            "earlier_result_open",
            _("An earlier result at or above the cutoff was never followed to its end."),
        )
    if fact.serial in unsettled:
        yield Obstacle(
            "line_unsettled", _("Another line of a readings file names this sample and is not settled.")
        )
    yield from _obstacles_of_reading(candidate, margin)


def _obstacles_of_reading(candidate: Candidate, margin: int) -> Iterable[Obstacle]:
    fact = candidate.fact
    if margin and near_under(candidate.classed, margin):
        yield Obstacle("near_cutoff", _("It is close under the cutoff; the protocol asks for a look at it."))
    if fact.run_status == Run.Status.RESOLVED:
        yield Obstacle(
            "run_resolved",
            _(
                "The controls of its run were out, and its readings were let stand with a reason. Read that reason first."
            ),
        )
    if fact.file_id is None:
        yield Obstacle("typed", _("The reading was typed by hand."))
    if candidate.side is Side.NEEDS_PERSON and fact.yes_no:
        yield Obstacle("number_needed", str(candidate.classed.outcome.reason.sentence), final=True)
    elif candidate.side is Side.NEEDS_PERSON:
        yield Obstacle("needs_person", str(candidate.classed.outcome.reason.sentence))
    if fact.round_state in ("kit_due", "kit_out"):
        yield Obstacle("round_elsewhere", _("The round waits for another kit. Look why before releasing."))


def near_under(one: Classed, margin: int) -> bool:
    """Whether a result below lies within so many per cent under its cutoff (off at 0)."""
    exact, line = one.outcome.exact, one.rule.cutoff
    return margin > 0 and one.outcome.side is Side.BELOW and 100 * exact >= Fraction(line) * (100 - margin)


def _unresolved_people(found: Sequence[Candidate]) -> Mapping[int, set[int]]:
    """Person → rounds of earlier results at or above whose referral is live or closed without an answer (I30).

    Those of a record merged with the person's, in either direction, are the person's too.
    """
    with connection.cursor() as cursor:
        cursor.execute(EARLIER_OPEN, [sorted({c.fact.person_id for c in found}), sorted(RESOLVED_BY)])
        rounds: dict[int, set[int]] = defaultdict(set)
        for person, round_id in cursor.fetchall():
            rounds[person].add(round_id)
    return rounds
