"""Who may open the pages of the register, the batches and the people.

The register and its held files belong to those who answer for the data: administrator and manager (a held file
needs the other one). Batches are opened and posted by the phone desk and the manager; the administrator
looks, and takes kits into stock.
A person's page and the search are for those who speak with people: phone desk, coordinator, clinician. The
administrator configures and sees no person's story, the manager sees counts, the front desk and the laboratory see
the one kit in hand (least privilege by task). The auditor reads who opened whose record, by number and never by name,
and reviews the records opened with a reason; the manager sees of these what was not in order, and writes what was done.
"""

from staff.roles import Role
from staff.routes import Door, door, takes_file

LARGEST_REGISTER = 32_000_000
"""Bytes of a register file at a page or a door; a larger one is loaded by the command line."""
DATA = door(Role.ADMINISTRATOR, Role.MANAGER)
INVITE = door(Role.MANAGER, Role.PHONE_DESK)
INVITE_OR_LOOK = door(Role.MANAGER, Role.PHONE_DESK, Role.ADMINISTRATOR)
SPEAKS_WITH_PEOPLE = door(Role.PHONE_DESK, Role.COORDINATOR, Role.CLINICIAN)
ANSWERS_FOR_POLICY = door(Role.ADMINISTRATOR, Role.MANAGER, Role.CLINICIAN)
RECORDS_WISHES = door(Role.PHONE_DESK, Role.COORDINATOR)
ROUTES: dict[str, Door] = {
    "screening:register": takes_file(DATA, LARGEST_REGISTER),
    "screening:register-compare": DATA,
    "screening:register-load": DATA,
    "screening:register-apply": DATA,
    "screening:register-discard": DATA,
    "screening:register-refused": DATA,
    "screening:batches": INVITE_OR_LOOK,
    "screening:batch": INVITE_OR_LOOK,
    "screening:pause": INVITE,
    "screening:pause-end": INVITE,
    "screening:pace": INVITE,
    "screening:doubts": INVITE,
    "screening:batch-release": INVITE,
    "screening:batch-dispatch": INVITE,
    "screening:replacements": INVITE,
    "screening:stock": door(Role.ADMINISTRATOR),
    "screening:waiting-send": door(Role.PHONE_DESK),
    "screening:waiting-close": door(Role.PHONE_DESK),
    "screening:search": SPEAKS_WITH_PEOPLE,
    "screening:person": SPEAKS_WITH_PEOPLE,
    "screening:person-look": SPEAKS_WITH_PEOPLE,
    "screening:person-note": RECORDS_WISHES,
    "screening:person-stop": RECORDS_WISHES,
    "screening:person-stop-end": RECORDS_WISHES,
    "screening:person-postpone": RECORDS_WISHES,
    "screening:duplicates": RECORDS_WISHES,
    "screening:duplicate": SPEAKS_WITH_PEOPLE,
    "screening:duplicate-decide": RECORDS_WISHES,
    "screening:merge-decide": SPEAKS_WITH_PEOPLE,
    "screening:merge-undo": RECORDS_WISHES,
    "screening:person-exclude": SPEAKS_WITH_PEOPLE,
    "screening:exclusion": SPEAKS_WITH_PEOPLE,
    "screening:person-correct": RECORDS_WISHES,
    "screening:person-death": RECORDS_WISHES,
    "screening:protocols": ANSWERS_FOR_POLICY,
    "screening:protocol": ANSWERS_FOR_POLICY,
    "screening:protocol-look": ANSWERS_FOR_POLICY,
    "screening:protocol-decide": ANSWERS_FOR_POLICY,
    "screening:journal": door(Role.AUDITOR),
    "screening:looks": door(Role.AUDITOR, Role.MANAGER),
    "screening:looks-in-order": door(Role.AUDITOR),
    "screening:look-review": door(Role.AUDITOR),
    "screening:look-follow-up": door(Role.AUDITOR, Role.MANAGER),
    "screening:second-look": SPEAKS_WITH_PEOPLE,
    "screening:death-decide": SPEAKS_WITH_PEOPLE,
    "screening:kit-lost": RECORDS_WISHES,
}
