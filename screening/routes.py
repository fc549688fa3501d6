"""Who may open which page of this part."""

from screening import routes_intake
from staff.routes import Door

ROUTES: dict[str, Door] = {
    **routes_intake.ROUTES,
}
