"""Who may open which page of this part."""

from screening import routes_api, routes_intake, routes_people
from staff.routes import Door

ROUTES: dict[str, Door] = {
    **routes_intake.ROUTES,
    **routes_people.ROUTES,
    **routes_api.ROUTES,
}
