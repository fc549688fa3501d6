"""Who may open which of the laboratory's pages."""

from staff.roles import Role
from staff.routes import Door, door, takes_file

LAB = door(Role.LABORATORY)
LARGEST_READINGS = 20_000_000
"""Bytes of a readings file at a page or a door."""
READINGS = takes_file(LAB, LARGEST_READINGS)
SECONDS = door(Role.LABORATORY, Role.CLINICIAN)
"""Who may agree to a change in the laboratory as the second person."""
ROUTES: dict[str, Door] = {
    "results:open-day": LAB,
    "results:day-close": LAB,
    "results:watch": LAB,
    "results:comparison-new": LAB,
    "results:comparison": LAB,
    "results:assessment-new": LAB,
    "results:assessment": LAB,
    "results:look-backs": LAB,
    "results:look-back-new": LAB,
    "results:look-back": LAB,
    "results:look-back-decide": LAB,
    "results:look-back-close": LAB,
    "results:asked": SECONDS,
    "results:asked-decide": SECONDS,
    "results:changes": LAB,
    "results:change": LAB,
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
    "results:slip": LAB,
    "results:run-load": READINGS,
    "results:sample-off": LAB,
    "results:readings": READINGS,
    "results:readings-file": LAB,
    "results:readings-refused": LAB,
    "results:readings-gap": LAB,
    "results:line-settle": LAB,
    "results:lines-settle": LAB,
    "results:messages": LAB,
    "results:message": LAB,
    "results:message-settle": LAB,
    "results:message-retry": LAB,
    "results:release": LAB,
    "results:release-below": LAB,
    "results:release-one": LAB,
    "results:person-panel": door(Role.CLINICIAN, Role.COORDINATOR, Role.LABORATORY),
}
