"""The results application: its ledgers, append-only tables, and the feed that hands it returns."""

from django.apps import AppConfig

APPEND_ONLY = (
    "BracketedReading",
    "DayClose",
    "RunLot",
    "SlipCheck",
    "StockCount",
    "VialDestroyed",
    "WatchAlarm",
    "ComparisonPair",
    "CheckReading",
    "ControlComment",
    "ControlReading",
    "Reading",
    "ReferralResult",
    "ContactAttempt",
    "Assessment",
    "Examination",
    "NextStep",
    "LesionRow",
    "Histology",
    "FindingComputed",
    "AdverseEvent",
    "EventJudgement",
    "AfterCall",
    "CancerReport",
    "ClosingEvidence",
)
"""Tables whose rows are written once and never changed."""


class ResultsConfig(AppConfig):
    """Samples, runs, results and referrals."""

    name = "results"
    verbose_name = "Results"

    def ready(self) -> None:
        """Register machines, walls and the feed from the ledger of returns."""
        from results import models, states
        from results.walls import (
            AT_OR_ABOVE_HAS_A_REFERRAL,
            BOOKING_HAS_ITS_PLACE,
            BOOKING_RESTS_ON_AN_ASSESSMENT,
            BRACKET_IS_CLOSED,
            CLOSED_HAS_EVIDENCE,
            DECIDED_ONCE,
            PLACE_LIES_ON_ITS_LIST,
            RESULT_HAS_A_RUN_IN_CONTROL,
            RETURN_FEED,
        )
        from staff.ledger.registry import (
            Ledger,
            TodoFeed,
            register_append_only,
            register_feed,
            register_guarded,
            register_ledger,
            register_sql,
        )

        register_ledger(Ledger(states.SAMPLE, models.Sample, models.SampleMove))
        register_ledger(Ledger(states.REFERRAL, models.Referral, models.ReferralMove))
        register_append_only(*(getattr(models, name) for name in APPEND_ONLY))
        register_guarded(models.AnalyserVersion, {"analyser_id", "confirmed_by_id"})
        register_guarded(models.KitModelProposal, {"kit_model_id", "confirmed_by_id"})
        register_guarded(models.Result, {"is_current", "is_deciding"})
        register_guarded(models.LookBack, {"closed_at", "closed_by_id", "closing_words"})
        register_guarded(
            models.LookBackRow, {"action", "note", "decided_by_id", "decided_at", "settled_at", "settled_how"}
        )
        register_guarded(
            models.InboxMessage, {"verdict", "sentence", "analyser_id", "file_id", "times", "settled_note"}
        )
        register_guarded(
            models.TypedReading, {"state", "again_raw", "again_flag", "again_by_id", "again_at", "reading_id"}
        )
        register_guarded(models.Absence, {"until", "ended_by_id"})
        register_guarded(models.HandOver, {"begun_at", "ended_at"})
        register_guarded(models.HandOverLine, {"moved_at", "back_at"})
        register_guarded(
            models.ReOffer, {"due_on", "owner_id", "answer", "note", "answered_on", "answered_by_id"}
        )
        register_guarded(models.UnitCalendar, {"kept_until"})
        register_guarded(models.ClinicList, {"cancelled_at", "cancelled_by_id", "why"})
        register_guarded(models.ListPlace, {"status", "booking_id", "held_until"})
        register_guarded(models.AskedSecond, {"verdict", "decided_by_id", "decided_at", "note"})
        register_feed(TodoFeed("results_returns", "screening_returnmove", RETURN_FEED))
        register_sql("results_at_or_above", AT_OR_ABOVE_HAS_A_REFERRAL)
        register_sql("results_run_in_control", RESULT_HAS_A_RUN_IN_CONTROL)
        register_sql("results_bracket", BRACKET_IS_CLOSED)
        register_sql("results_closed_has_evidence", CLOSED_HAS_EVIDENCE)
        register_sql("results_booking_rests_on_an_assessment", BOOKING_RESTS_ON_AN_ASSESSMENT)
        register_sql("results_place_lies_on_its_list", PLACE_LIES_ON_ITS_LIST)
        register_sql("results_booking_has_its_place", BOOKING_HAS_ITS_PLACE)
        register_sql("results_question_is_decided_once", DECIDED_ONCE)
