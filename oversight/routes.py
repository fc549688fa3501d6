"""Who may open which page of this part."""

from staff.roles import Role
from staff.routes import Door, door

OVERSEERS = door(Role.MANAGER, Role.ADMINISTRATOR, Role.AUDITOR, Role.CLINICIAN, Role.COORDINATOR)

KEEPERS = door(Role.MANAGER, Role.ADMINISTRATOR)
"""Who may take files away."""

ROUTES: dict[str, Door] = {
    "oversight:dashboard": OVERSEERS,
    "oversight:figures": OVERSEERS,
    "oversight:two-cohorts": OVERSEERS,
    "oversight:people-behind": OVERSEERS,
    "oversight:definition": OVERSEERS,
    "oversight:exports": KEEPERS,
    "oversight:export-ask": KEEPERS,
    "oversight:export-fetch": KEEPERS,
    "oversight:give": door(Role.MANAGER),
    "oversight:set-level": door(Role.MANAGER),
    "oversight:proof": OVERSEERS,
    "oversight:prove-now": OVERSEERS,
}
