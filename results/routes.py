"""Who may open which page of this part."""

from results import routes_api, routes_followup, routes_lab
from staff.routes import Door

ROUTES: dict[str, Door] = {}
ROUTES |= routes_lab.ROUTES
ROUTES |= routes_followup.ROUTES
ROUTES |= routes_api.ROUTES
