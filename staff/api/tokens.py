"""Who asks, whether this address is open to them, and whether they ask too often."""

from functools import cache
from typing import Any

from django.conf import settings
from django.utils.translation import gettext as _
from rest_framework.authentication import BaseAuthentication
from rest_framework.exceptions import AuthenticationFailed, PermissionDenied
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.throttling import BaseThrottle

from staff import clock
from staff.errors import NotAllowed
from staff.models import ApiToken, User
from staff.routes import Door, route_table
from staff.services.clients import token_find, token_used

LONGEST = 200


@cache
def _table() -> dict[str, Door]:
    return route_table()


class TokenAuthentication(BaseAuthentication):
    """`Authorization: Bearer …`; a signed-in browser is nobody here."""

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        """The client's user and its token."""
        words = request.headers.get("Authorization", "").split()
        if not words:
            return None
        token = token_find(words[1]) if len(words) == 2 and words[0].lower() == "bearer" and len(words[1]) < LONGEST else None
        if token is None:
            raise AuthenticationFailed(_("This token is unknown, expired or revoked. Ask the administrator for a new one."))
        return token.client.user, token

    def authenticate_header(self, request: Request) -> str:
        """What a 401 asks for."""
        return 'Bearer realm="roundbook"'


class DoorPermission(BasePermission):
    """Deny by default: the route must be in the table, open to programs, and to this client's role and reach."""

    def has_permission(self, request: Request, view: Any) -> bool:
        """True, or NotAllowed with the reason."""
        user, match = request.user, request.resolver_match
        if not isinstance(user, User) or not isinstance(request.auth, ApiToken):
            return False
        door = _table().get(match.view_name if match else "")
        if door is None or not door.token:
            raise PermissionDenied(_("This address is open to nobody."))
        if not user.roles & door.lets(request.method or ""):
            raise NotAllowed("role_missing", _("This client's role is not allowed to do this. Ask the administrator."))
        if not door.one_site and user.site_ids is not None:
            raise NotAllowed("site_bound", _("This client is bound to one site, and this concerns the whole programme."))
        return True


class TokenThrottle(BaseThrottle):
    """So many requests a minute for each token, counted in the database, so over all web processes together."""

    def allow_request(self, request: Request, view: Any) -> bool:
        """Whether this one is still within the limit."""
        token = request.auth
        return not isinstance(token, ApiToken) or token_used(token) <= settings.API_REQUESTS_A_MINUTE

    def wait(self) -> float:
        """Seconds until the next minute."""
        return 60 - clock.now().second
