"""Tables of results; import from here, never from a submodule."""

from results.models.control_plans import (
    BracketedReading,
    CheckLot,
    CheckReading,
    ControlComment,
    ControlPlan,
)
from results.models.inbox import InboxMessage, TypedReading
from results.models.lab import (
    Analyser,
    ControlLot,
    ControlReading,
    InboxLine,
    Reading,
    ReadingsFile,
    Run,
    Sample,
    SampleMove,
    SampleTodo,
    Unit,
)
from results.models.referrals import (
    Assessment,
    Booking,
    ClosingEvidence,
    ContactAttempt,
    Examination,
    FindingClass,
    NextStep,
    Referral,
    ReferralMove,
    ReferralResult,
)
from results.models.results import Comparison, CutoffRule, Result, ResultsPolicy, Side

__all__ = [
    "Analyser", "Assessment", "Booking", "BracketedReading", "CheckLot", "CheckReading", "ClosingEvidence",
    "Comparison", "ContactAttempt", "ControlComment", "ControlLot", "ControlPlan", "ControlReading", "CutoffRule",
    "Examination", "FindingClass", "InboxLine", "InboxMessage", "NextStep", "Reading", "ReadingsFile", "Referral",
    "ReferralMove", "ReferralResult", "Result", "ResultsPolicy", "Run", "Sample", "SampleMove", "SampleTodo", "Side",
    "TypedReading", "Unit",
]  # fmt: skip
