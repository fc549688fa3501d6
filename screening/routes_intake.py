"""Who may open the pages of the post.

The bench shows one name a scan and journals nothing beside it: the scan row, with who scanned what when, is
itself the record of that look. The set-asides are journalled like every other work list.
"""

from staff.roles import Role
from staff.routes import Door, door

DESKS = door(Role.FRONT_DESK, Role.PHONE_DESK)
ROUTES: dict[str, Door] = {
    "screening:post": DESKS,
    "screening:post-session": DESKS,
    "screening:post-cards": DESKS,
    "screening:post-card": DESKS,
    "screening:post-bench": DESKS,
    "screening:post-scan": DESKS,
    "screening:post-close": DESKS,
    "screening:set-asides": DESKS,
    "screening:set-aside": DESKS,
}
