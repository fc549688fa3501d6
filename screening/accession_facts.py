"""What a scan knows and what is decided about it, as plain values: the facts, the policy and the
verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from screening.accession_words import REASON_SENTENCES, REMARK_SENTENCES, Reason, Remark, sentences_joined
from screening.collection import CollectionDay

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise


class Outcome(StrEnum):
    """What the belt shows and sounds."""

    ACCEPTED = "accepted"
    ACCEPTED_WITH_REMARK = "accepted_with_remark"
    SET_ASIDE = "set_aside"
    STOP = "stop"
    NOT_OURS = "not_ours"
    ALREADY_LOGGED = "already_logged"


class ReturnState(StrEnum):
    """The state the return goes to; ``NONE`` writes no return."""

    READY = "ready"
    SET_ASIDE = "set_aside"
    UNSUITABLE = "unsuitable"
    NONE = "none"


class KitFact(StrEnum):
    """The kit's state by our records; a serial we do not know is None in the facts."""

    IN_STOCK = "in_stock"
    ASSIGNED = "assigned"
    DISPATCHED = "dispatched"
    RETURNED = "returned"
    UNDELIVERED = "undelivered"
    REPORTED_LOST = "reported_lost"


class RoundFact(StrEnum):
    """The state of the round the kit was sent for; a closed one by its close reason."""

    KIT_DUE = "kit_due"
    KIT_OUT = "kit_out"
    RESULT_DUE = "result_due"
    FOLLOW_UP = "follow_up"
    CLOSED_BELOW = "below"
    CLOSED_NOT_RETURNED = "not_returned"
    CLOSED_UNDELIVERABLE = "undeliverable"
    CLOSED_DECLINED = "declined"
    CLOSED_NO_USABLE_SAMPLE = "no_usable_sample"
    CLOSED_POSTPONED = "postponed"
    CLOSED_EXCLUDED = "excluded"
    CLOSED_DIED = "died"
    CLOSED_MOVED_AWAY = "moved_away"
    CLOSED_RESULT_WITHDRAWN = "result_withdrawn"
    CLOSED_SUPERSEDED = "superseded"
    CLOSED_FOLLOW_UP_CONCLUDED = "follow_up_concluded"
    CLOSED_ENTERED_IN_ERROR = "entered_in_error"


REOPENING = frozenset(
    {
        RoundFact.CLOSED_NOT_RETURNED,
        RoundFact.CLOSED_DECLINED,
        RoundFact.CLOSED_NO_USABLE_SAMPLE,
        RoundFact.CLOSED_POSTPONED,
        RoundFact.CLOSED_MOVED_AWAY,
    }
)


class LabelName(StrEnum):
    """The name on the label, compared with the screen."""

    SAME = "same"
    MISSING = "missing"
    OTHER = "other"
    ILLEGIBLE = "illegible"
    NOT_COMPARED = "not_compared"


class Condition(StrEnum):
    """What the envelope and the vial look like."""

    GOOD = "good"
    EMPTY = "empty"
    TWO_VIALS = "two_vials"
    LEAKING = "leaking"
    LEAKING_BELOW_MARK = "leaking_below_mark"
    OVER_FULL = "over_full"
    CLEAN_STICK = "clean_stick"
    BUFFER_LOST = "buffer_lost"
    DAMAGED = "damaged"
    VISIBLE_BLOOD = "visible_blood"


class MissingDateRule(StrEnum):
    """What the protocol does with an undated sample."""

    WORST_CASE = "worst_case"
    PHONE = "phone"
    REJECT = "reject"


@dataclass(frozen=True, slots=True)
class AccessionPolicy:
    """The protocol's part: sample-age limit in days (of the kit model), missing dates, replacements,
    remarks."""

    age_limit_days: int = 14
    missing_date: MissingDateRule = MissingDateRule.WORST_CASE
    max_replacements: int = 2
    last_days: int = 2
    unnamed_with_envelope: bool = False
    report_high_from_unfit: bool = False


@dataclass(frozen=True, slots=True)
class ReturnFacts:
    """Everything a scan knows, as plain values; ``judged_on`` is the day of the scan.

    ``serial_fits`` says the code has the form of our serials; ``kit`` is None for a serial we do not know.
    ``collection`` is None for a vial that has no label to read (an empty envelope). ``posted_after_arrival``: by our
    records the kit left us after its delivery's arrival day, and by ``judged_on``; ``dispatched_on`` is then None.
    """

    kit: KitFact | None
    round: RoundFact | None
    arrived_on: date
    judged_on: date
    dispatched_on: date | None
    collection: CollectionDay | None
    posted_after_arrival: bool = False
    serial_fits: bool = True
    voided: bool = False
    replacement_kit: bool = False
    lot_quarantined: bool = False
    lot_expires_on: date | None = None
    identity_in_doubt: bool = False
    person_died: bool = False
    opted_out: bool = False
    newer_round_open: bool = False
    other_kit_in: bool = False
    label_name: LabelName = LabelName.SAME
    birth_date_differs: bool = False
    envelope_named: bool = False
    only_kit_at_address: bool = False
    household_kit_out: bool = False
    condition: Condition = Condition.GOOD
    note_enclosed: bool = False
    replacements_used: int = 0


@dataclass(frozen=True, slots=True)
class Verdict:
    """What happens with a return: what the belt shows, the state it goes to, why, and what to note beside.

    ``replace`` says that a replacement kit goes out by rule; ``only_high_counts`` that a result below may
    not be reported from this sample.
    """

    outcome: Outcome
    return_state: ReturnState
    reason: Reason
    remarks: tuple[Remark, ...] = field(default=())
    replace: bool = False
    only_high_counts: bool = False

    @property
    def sentence(self) -> StrOrPromise:
        """The reason in words, with what to do next; a sample taken although unfit by date goes where others go."""
        return REASON_SENTENCES[Reason.FIT if self.only_high_counts else self.reason]

    @property
    def remark(self) -> StrOrPromise:
        """The remarks in words, empty where there is none."""
        return sentences_joined([REMARK_SENTENCES[remark] for remark in self.remarks])
