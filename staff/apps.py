"""The staff application."""

from django.apps import AppConfig


class StaffConfig(AppConfig):
    """Ground floor: users, access, clock, ledger machinery."""

    name = "staff"
    verbose_name = "Staff"
