"""Who may open the doors of this part: the roles of the pages that do the same."""

from staff.roles import Role
from staff.routes import Door, api_door

LAB = api_door(Role.LABORATORY, one_site=True)
FOLLOW_UP = api_door(Role.COORDINATOR, Role.CLINICIAN, one_site=True)
STEPS = ("claim", "contact", "assess", "request", "book", "attend", "report", "histology", "sign", "close")
ROUTES: dict[str, Door] = {
    f"results-api:{name}": LAB
    for name in (
        "analysers", "runs", "run", "run-controls", "run-readings", "run-close", "readings-file", "release-list",
        "release-below", "sample-decide",
    )
}  # fmt: skip
ROUTES["results-api:results"] = api_door(Role.LABORATORY, Role.COORDINATOR, Role.CLINICIAN, one_site=True)
ROUTES["results-api:result-message"] = ROUTES["results-api:results"]
ROUTES["results-api:referrals"] = FOLLOW_UP
ROUTES["results-api:referral"] = FOLLOW_UP
ROUTES |= {f"results-api:referral-{step}": FOLLOW_UP for step in STEPS}
ROUTES["results-api:referral-sign"] = api_door(Role.CLINICIAN, one_site=True)

MEASURED = api_door(Role.LABORATORY, Role.COORDINATOR, Role.CLINICIAN, one_site=True)
for _types, _door in (
    (("Specimen", "Observation", "DiagnosticReport"), MEASURED), (("ServiceRequest", "Appointment", "Procedure"), FOLLOW_UP),
):  # fmt: skip
    ROUTES |= {f"results-fhir:{one}{how}": _door for one in _types for how in ("", "-search")}
