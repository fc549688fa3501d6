"""Who may open which page of this part."""

from staff.roles import Role
from staff.routes import Door, api_door, door

OVERSEERS = door(Role.MANAGER, Role.ADMINISTRATOR, Role.AUDITOR, Role.CLINICIAN, Role.COORDINATOR)

ROUTES: dict[str, Door] = {
    "oversight-api:indicators": api_door(*OVERSEERS.roles),
    "oversight-api:proof": api_door(*OVERSEERS.roles),
    "oversight:dashboard": OVERSEERS,
    "oversight:proof": OVERSEERS,
    "oversight:prove-now": OVERSEERS,
}
