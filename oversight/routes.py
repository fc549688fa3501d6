"""Who may open which page of this part."""

from staff.roles import Role
from staff.routes import PUBLIC, Door, api_door, door

OVERSEERS = door(Role.MANAGER, Role.ADMINISTRATOR, Role.AUDITOR, Role.CLINICIAN, Role.COORDINATOR)

KEEPERS = door(Role.MANAGER, Role.ADMINISTRATOR)
"""Who may take files away, and let old months of the journal go, one asking and another agreeing."""

EXAMINED_TOGETHER = door(Role.MANAGER, Role.CLINICIAN)
"""Who may see figures of single examiners (job 7.2: restricted)."""

ROUTES: dict[str, Door] = {
    "oversight-fhir:metadata": PUBLIC,
    "oversight-fhir:nothing-here": PUBLIC,
    "oversight-api:indicators": api_door(*OVERSEERS.roles),
    "oversight-api:proof": api_door(*OVERSEERS.roles),
    "oversight:dashboard": OVERSEERS,
    "oversight:figures": OVERSEERS,
    "oversight:two-cohorts": OVERSEERS,
    "oversight:examiners": EXAMINED_TOGETHER,
    "oversight:people-behind": OVERSEERS,
    "oversight:definition": OVERSEERS,
    "oversight:exports": KEEPERS,
    "oversight:export-ask": KEEPERS,
    "oversight:export-fetch": KEEPERS,
    "oversight:give": door(Role.MANAGER),
    "oversight:told": OVERSEERS,
    "oversight:told-take-back": KEEPERS,
    "oversight:set-level": door(Role.MANAGER),
    "oversight:journal-age": door(Role.ADMINISTRATOR, Role.MANAGER, Role.AUDITOR),
    "oversight:journal-ask": KEEPERS,
    "oversight:journal-agree": KEEPERS,
    "oversight:proof": OVERSEERS,
    "oversight:checks": OVERSEERS,
    "oversight:ledgers": OVERSEERS,
    "oversight:known": OVERSEERS,
    "oversight:known-person": door(Role.COORDINATOR, Role.CLINICIAN, Role.MANAGER),
    "oversight:net-list": OVERSEERS,
    "oversight:net-settle": door(Role.COORDINATOR, Role.CLINICIAN),
    "oversight:statement": OVERSEERS,
    "oversight:continuity": door(Role.COORDINATOR, Role.CLINICIAN, Role.MANAGER),
    "oversight:prove-now": OVERSEERS,
}
