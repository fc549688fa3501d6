"""The oversight application, topmost: after its migrations the walls are built."""

from django.apps import AppConfig
from django.conf import settings
from django.db.models.signals import post_migrate


class OversightConfig(AppConfig):
    """Indicators, the safety net and rehearsals."""

    name = "oversight"
    verbose_name = "Oversight"

    def ready(self) -> None:
        """Register append-only tables, and build the walls when every table is there."""
        from oversight import models
        from oversight.seal.ageing_sql import GOES
        from oversight.walls import marks_sql
        from staff.ledger.registry import register_append_only, register_guarded, register_sql
        from staff.ledger.walls import build_walls

        register_append_only(
            models.ProofRun, models.ProofResult, models.LevelSet, models.GivenFigure, models.LedgerCount,
            models.NetCount, models.Settlement, models.Seal, models.SealBlock, models.RestoreDrill, models.Paper,
            models.AgedOut,
        )  # fmt: skip
        register_guarded(models.AgeingAsked, {"agreed_at", "agreed_by_id", "tried_on", "refused"})
        register_guarded(models.ToldFigure, {"ended_at", "ended_by_id", "ended_why"})
        register_sql("oversight_marks", marks_sql())
        register_sql("oversight_journal", GOES.replace("{years}", str(settings.JOURNAL_KEPT_YEARS)))
        post_migrate.connect(build_walls, sender=self, dispatch_uid="build_walls")
