"""Tables of the ground floor; import from here, never from a submodule."""

from staff.models.calendars import Duty, NonWorkingDay, NoPostDay
from staff.models.clients import ApiClient, ApiToken, ApiUse, KeptAnswer
from staff.models.confirmations import AccountConfirmation
from staff.models.journal import AccessEntry, Purpose
from staff.models.ledger import LedgerState, LedgerTransition, Move, Subject
from staff.models.users import SYSTEM_USERNAME, Posting, Site, User

__all__ = [
    "SYSTEM_USERNAME",
    "AccessEntry",
    "AccountConfirmation",
    "ApiClient",
    "ApiToken",
    "ApiUse",
    "Duty",
    "KeptAnswer",
    "LedgerState",
    "LedgerTransition",
    "Move",
    "NoPostDay",
    "NonWorkingDay",
    "Posting",
    "Purpose",
    "Site",
    "Subject",
    "User",
]
