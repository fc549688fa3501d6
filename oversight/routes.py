"""Who may open which page of this part."""

from staff.routes import Door

ROUTES: dict[str, Door] = {}
