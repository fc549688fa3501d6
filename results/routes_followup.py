"""Who may open the pages of follow-up."""

from staff.roles import Role
from staff.routes import Door, door

FOLLOW_UP = door(Role.COORDINATOR, Role.CLINICIAN)
POLICY = door(Role.ADMINISTRATOR, Role.CLINICIAN)
ROUTES: dict[str, Door] = {
    "results:queue": FOLLOW_UP,
    "results:unconfirmed": FOLLOW_UP,
    "results:unconfirmed-answer": FOLLOW_UP,
    "results:follow-up-policy": POLICY,
    "results:follow-up-policy-decide": POLICY,
    "results:follow-up-policy-plans": door(Role.CLINICIAN),
    "results:room": door(Role.MANAGER, Role.COORDINATOR, Role.CLINICIAN),
    "results:calendar": FOLLOW_UP,
    "results:calendar-begin": FOLLOW_UP,
    "results:calendar-lists": FOLLOW_UP,
    "results:calendar-list": FOLLOW_UP,
    "results:calendar-list-cancel": FOLLOW_UP,
    "results:calendar-close": FOLLOW_UP,
    "results:calendar-move": FOLLOW_UP,
    "results:calendar-take-in": FOLLOW_UP,
    "results:places": FOLLOW_UP,
    "results:place-take": FOLLOW_UP,
    "results:place-held": FOLLOW_UP,
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
    "results:re-offers": FOLLOW_UP,
    "results:re-offer-answer": FOLLOW_UP,
    "results:surveillance": FOLLOW_UP,
    "results:surveillance-take-up": FOLLOW_UP,
    "results:referral-do": FOLLOW_UP,
}
