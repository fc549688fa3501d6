"""Who may open which of the laboratory's pages."""

from staff.roles import Role
from staff.routes import Door, door

LAB = door(Role.LABORATORY)
ROUTES: dict[str, Door] = {
    "results:open-day": LAB,
    "results:day-close": LAB,
    "results:paper": LAB,
    "results:typed": LAB,
    "results:run-samples": LAB,
    "results:place-capture": LAB,
    "results:place-park": LAB,
    "results:controls": LAB,
    "results:enter": LAB,
    "results:confirm": LAB,
    "results:lots": LAB,
    "results:lot": LAB,
    "results:charts": LAB,
    "results:month": LAB,
    "results:control-comment": LAB,
    "results:run": LAB,
    "results:run-controls": LAB,
    "results:run-close": LAB,
    "results:run-settle": LAB,
    "results:run-load": LAB,
    "results:sample-off": LAB,
    "results:readings": LAB,
    "results:readings-file": LAB,
    "results:readings-refused": LAB,
    "results:readings-gap": LAB,
    "results:line-settle": LAB,
    "results:messages": LAB,
    "results:message": LAB,
    "results:message-settle": LAB,
    "results:message-retry": LAB,
    "results:release": LAB,
    "results:release-below": LAB,
    "results:release-one": LAB,
    "results:person-panel": door(Role.CLINICIAN, Role.COORDINATOR, Role.LABORATORY),
}
