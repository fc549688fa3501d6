"""Who may open which page of this part."""

from staff.roles import Role
from staff.routes import Door, api_door, door, takes_file

# Administrators see counts, tokens and reasons, never who a letter is for.
OFFICE = door(Role.PHONE_DESK, Role.COORDINATOR, Role.ADMINISTRATOR)
NAMED = door(Role.PHONE_DESK, Role.COORDINATOR)
INVITING = door(Role.PHONE_DESK, Role.MANAGER, Role.ADMINISTRATOR)
PACKING = door(Role.PHONE_DESK, Role.MANAGER)
LARGEST_MANIFEST = 8_000_000
"""Bytes of a contractor's file; the service that takes it says the same (`services/packs.py`)."""
LABORATORY = door(Role.LABORATORY)
BACK = door(Role.FRONT_DESK, Role.PHONE_DESK, Role.COORDINATOR, Role.ADMINISTRATOR)
SETTLING = door(Role.FRONT_DESK, Role.PHONE_DESK, Role.COORDINATOR, Role.CLINICIAN, Role.ADMINISTRATOR)
TEXTS = door(Role.CLINICIAN, Role.MANAGER, Role.ADMINISTRATOR)
ABOUT_A_PERSON = door(Role.PHONE_DESK, Role.COORDINATOR, Role.CLINICIAN)

ROUTES: dict[str, Door] = {
    "outreach-api:letters": api_door(*NAMED.roles),
    "outreach-fhir:Communication": api_door(*NAMED.roles),
    "outreach-fhir:Communication-search": api_door(*NAMED.roles),
    "outreach:mail": OFFICE,
    "outreach:print-run-make": OFFICE,
    "outreach:held-decide": OFFICE,
    "outreach:print-run": OFFICE,
    "outreach:print-run-pull": OFFICE,
    "outreach:print-run-hand-over": OFFICE,
    "outreach:print-run-try-again": OFFICE,
    "outreach:print-run-document": NAMED,
    "outreach:print-run-manifest": OFFICE,
    "outreach:print-run-check": OFFICE,
    "outreach:print-run-reprint": OFFICE,
    "outreach:reprint-document": NAMED,
    "outreach:print-run-file": NAMED,
    "outreach:file-parcel": NAMED,
    "outreach:paper": BACK,
    "outreach:paper-back": BACK,
    "outreach:undelivered-decide": SETTLING,
    "outreach:doubt-decide": OFFICE,
    "outreach:pack": PACKING,
    "outreach:pack-opened": PACKING,
    "outreach:pack-missing": PACKING,
    "outreach:manifests": takes_file(PACKING, LARGEST_MANIFEST),
    "outreach:batch-preview": PACKING,
    "outreach:batch-unwritten": PACKING,
    "outreach:texts": TEXTS,
    "outreach:text": TEXTS,
    "outreach:text-look": TEXTS,
    "outreach:text-propose": TEXTS,
    "outreach:text-paper": TEXTS,
    "outreach:text-decide": TEXTS,
    "outreach:desks": door(Role.ADMINISTRATOR),
    "outreach:notices": door(Role.ADMINISTRATOR),
    "outreach:notice-again": door(Role.ADMINISTRATOR),
    "outreach:notice-settle": door(Role.ADMINISTRATOR),
    "outreach:practice-again": door(Role.ADMINISTRATOR),
    "outreach:wishes": ABOUT_A_PERSON,
    "outreach:reply": NAMED,
    "outreach:letter-pdf": ABOUT_A_PERSON,
    "outreach:person-panel": ABOUT_A_PERSON,
    "outreach:batch-panel": INVITING,
    "outreach:look-back-panel": LABORATORY,
    "outreach:round-panel": LABORATORY,
    "outreach:result-preview": LABORATORY,
    "outreach:next-step-preview": door(Role.CLINICIAN),
}
