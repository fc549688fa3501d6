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
        "post-undelivered", "notes", "note-done", "hand-over", "set-asides", "set-aside",
    )
}  # fmt: skip
ROUTES["screening:rule-costs"] = door(Role.FRONT_DESK, Role.PHONE_DESK, Role.MANAGER, Role.ADMINISTRATOR)
