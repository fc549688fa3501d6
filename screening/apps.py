"""The screening application: puts its ledgers behind the walls."""

from django.apps import AppConfig


class ScreeningConfig(AppConfig):
    """People, register, rounds, kits and returns."""

    name = "screening"
    verbose_name = "Screening"

    def ready(self) -> None:
        """Register the machines with their tables."""
        from screening import states
        from screening.models import (
            InvitationPace,
            Kit,
            KitDoubt,
            KitMove,
            LookFollowUp,
            LookReview,
            Manifest,
            Pack,
            PackCheck,
            PersonNote,
            ReasonedLook,
            Return,
            ReturnMove,
            Round,
            RoundMove,
        )
        from screening.models.looks import NOBODY_JUDGES_THE_OWN_LOOK
        from screening.services.register_first import KEYS_AWAY
        from staff.ledger.registry import Ledger, register_append_only, register_ledger, register_sql

        register_ledger(Ledger(states.ROUND, Round, RoundMove))
        register_ledger(Ledger(states.KIT, Kit, KitMove))
        register_ledger(Ledger(states.RETURN, Return, ReturnMove))
        register_append_only(
            InvitationPace, KitDoubt, LookFollowUp, LookReview, Manifest, Pack, PackCheck, PersonNote, ReasonedLook
        )  # fmt: skip
        register_sql("screening_own_look", NOBODY_JUDGES_THE_OWN_LOOK)
        register_sql("screening_keys_away", KEYS_AWAY)
