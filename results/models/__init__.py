"""Tables of results; import from here, never from a submodule."""

from results.models.bench import BenchPlace, BenchSteps, DayClose, LabLot, RunLot, StockCount
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
from results.models.look_back import LookBack, LookBackRow, VialDestroyed
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
from results.models.watch import AssessmentRound, ComparisonPair, ComparisonSet, WatchAlarm

__all__ = [
    "Analyser", "Assessment", "AssessmentRound", "BenchPlace", "BenchSteps", "Booking", "BracketedReading",
    "CheckLot", "CheckReading", "ClosingEvidence", "Comparison", "ComparisonPair", "ComparisonSet", "ContactAttempt",
    "ControlComment", "ControlLot", "ControlPlan", "ControlReading", "CutoffRule", "DayClose", "Examination",
    "FindingClass", "InboxLine", "InboxMessage", "LabLot", "LookBack", "LookBackRow", "NextStep", "Reading",
    "ReadingsFile", "Referral", "ReferralMove", "ReferralResult", "Result", "ResultsPolicy", "Run", "RunLot",
    "Sample", "SampleMove", "SampleTodo", "Side", "StockCount", "TypedReading", "Unit", "VialDestroyed", "WatchAlarm",
]  # fmt: skip
