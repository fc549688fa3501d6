"""Who may open the doors of this part: the roles of the pages that do the same."""

from screening.routes_people import DATA, INVITE, INVITE_OR_LOOK, SPEAKS_WITH_PEOPLE
from staff.roles import Role
from staff.routes import Door, api_door

DESKS = api_door(Role.FRONT_DESK, Role.PHONE_DESK, one_site=True)
ROUTES: dict[str, Door] = {
    "screening-api:register-loads": api_door(*DATA.roles),
    "screening-api:register-load": api_door(*DATA.roles),
    "screening-api:register-load-apply": api_door(*DATA.roles),
    "screening-api:register-load-discard": api_door(*DATA.roles),
    "screening-api:people": api_door(*SPEAKS_WITH_PEOPLE.roles),
    "screening-api:person": api_door(*SPEAKS_WITH_PEOPLE.roles),
    "screening-fhir:Patient": api_door(*SPEAKS_WITH_PEOPLE.roles),
    "screening-fhir:Patient-search": api_door(*SPEAKS_WITH_PEOPLE.roles),
    "screening-api:batches": api_door(*INVITE_OR_LOOK.roles, writers=tuple(INVITE.roles)),
    "screening-api:batch": api_door(*INVITE_OR_LOOK.roles),
    "screening-api:batch-release": api_door(*INVITE.roles),
    "screening-api:batch-dispatch": api_door(*INVITE.roles),
    "screening-api:deliveries": DESKS,
    "screening-api:delivery": DESKS,
    "screening-api:delivery-count": DESKS,
    "screening-api:returns": DESKS,
}
