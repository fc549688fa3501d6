"""Who may open the pages of the post.

The bench shows one name a scan and journals nothing beside it: the scan row, with who scanned what when, is
itself the record of that look. The set-asides are journalled like every other work list.
"""

from staff.roles import Role
from staff.routes import Door, door

DESKS = door(Role.FRONT_DESK, Role.PHONE_DESK)
ROUTES: dict[str, Door] = {
    f"screening:{name}": DESKS
    for name in (
        "post", "post-session", "post-first", "post-practice", "post-practice-pdf", "post-delivery", "post-cards",
        "post-cards-pdf", "post-card", "post-tray", "post-bench", "post-scan", "post-state", "post-slip", "post-close",
        "set-asides", "set-aside",
    )
}  # fmt: skip
