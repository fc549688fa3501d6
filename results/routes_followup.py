"""Who may open the pages of follow-up."""

from staff.roles import Role
from staff.routes import Door, door

FOLLOW_UP = door(Role.COORDINATOR, Role.CLINICIAN)
ROUTES: dict[str, Door] = {
    "results:queue": FOLLOW_UP,
    "results:attended": FOLLOW_UP,
    "results:hands": FOLLOW_UP,
    "results:hands-level": FOLLOW_UP,
    "results:hands-area": FOLLOW_UP,
    "results:absence-note": FOLLOW_UP,
    "results:absence-end": FOLLOW_UP,
    "results:away": FOLLOW_UP,
    "results:hand-over-new": FOLLOW_UP,
    "results:hand-over": FOLLOW_UP,
    "results:attended-answer": FOLLOW_UP,
    "results:attended-take-back": FOLLOW_UP,
    "results:referral": FOLLOW_UP,
    "results:after-calls": FOLLOW_UP,
    "results:cancers": FOLLOW_UP,
    "results:surveillance": FOLLOW_UP,
    "results:referral-do": FOLLOW_UP,
}
