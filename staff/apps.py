"""The staff application."""

from django.apps import AppConfig


class StaffConfig(AppConfig):
    """Ground floor: users, access, clock, ledger machinery."""

    name = "staff"
    verbose_name = "Staff"

    def ready(self) -> None:
        """Put the access journal and the confirmations of accounts behind the walls."""
        from staff import checks  # noqa: F401 - registers itself
        from staff.ledger.registry import register_append_only
        from staff.models import AccessEntry, AccountConfirmation

        register_append_only(AccessEntry, AccountConfirmation)
