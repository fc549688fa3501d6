"""Every page against every role (the doors for programs have their own matrix): unlisted routes open for nobody, listed ones only for the roles they name."""

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from staff.models import User
from staff.roles import Role
from staff.routes import route_table
from tests import cast

pytestmark = pytest.mark.usefixtures("region")


def _patterns(resolver: URLResolver, prefix: str = "") -> dict[str, URLPattern]:
    found: dict[str, URLPattern] = {}
    for entry in resolver.url_patterns:
        if isinstance(entry, URLResolver):
            inner = f"{prefix}{entry.namespace}:" if entry.namespace else prefix
            found |= _patterns(entry, inner)
        else:
            found[f"{prefix}{entry.name}"] = entry
    return found


PATTERNS = _patterns(get_resolver())
ROUTES = {name: door for name, door in route_table().items() if not door.token}


def _address(name: str) -> str:
    kinds = PATTERNS[name].pattern.converters
    values = {
        key: (999_999_999 if type(kind).__name__ == "IntConverter" else "none") for key, kind in kinds.items()
    }
    return reverse(name, kwargs=values)


def test_every_route_is_in_the_table_and_every_entry_has_a_route() -> None:
    assert set(PATTERNS) == set(route_table())


@pytest.mark.parametrize("role", sorted(cast.BY_ROLE))
def test_a_role_opens_only_its_routes(role: str) -> None:
    client = Client()
    client.force_login(
        User.objects.get(username=cast.BY_ROLE[role]), backend="django.contrib.auth.backends.ModelBackend"
    )
    wrong = []
    for name, door in ROUTES.items():
        if door.public or name == "staff:sign-out":
            continue
        answer = client.get(_address(name))
        allowed = Role(role) in door.roles
        if allowed and answer.status_code in {403, 500}:
            wrong.append(f"{name}: refused with {answer.status_code}")
        if not allowed and answer.status_code != 403:
            wrong.append(f"{name}: answered {answer.status_code}")
    assert wrong == []


def test_a_stranger_is_sent_to_sign_in_by_every_route() -> None:
    client = Client()
    for name, door in ROUTES.items():
        if door.public:
            continue
        answer = client.get(_address(name))
        assert answer.status_code == 302, name
        assert answer["Location"].startswith("/sign-in/"), name


def test_a_user_who_left_is_a_stranger(client: Client) -> None:
    user = User.objects.get(username=cast.MANAGER)
    client.force_login(user, backend="django.contrib.auth.backends.ModelBackend")
    User.objects.filter(pk=user.pk).update(is_active=False)
    assert client.get("/").status_code == 302
