"""Who may open which page of this part."""

from staff.roles import Role
from staff.routes import Door, door

OVERSEERS = door(Role.MANAGER, Role.ADMINISTRATOR, Role.AUDITOR, Role.CLINICIAN, Role.COORDINATOR)

ROUTES: dict[str, Door] = {
    "oversight:dashboard": OVERSEERS,
    "oversight:proof": OVERSEERS,
    "oversight:prove-now": OVERSEERS,
}
