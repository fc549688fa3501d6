"""Clients and their tokens: made and revoked by an administrator; the secret is shown once and never kept."""

import secrets
from dataclasses import dataclass
from datetime import timedelta
from hashlib import sha256

from django.db import connection
from django.utils.translation import gettext as _

from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.models import ApiClient, ApiToken, Posting, Site, User
from staff.roles import PEOPLE, Role

LONGEST_DAYS = 730
PREFIX = "rbk_"
USED = """
    INSERT INTO staff_apiuse AS u (token_id, minute, used, total) VALUES (%s, %s, 1, 1)
    ON CONFLICT (token_id) DO UPDATE SET minute = excluded.minute, total = u.total + 1,
        used = CASE WHEN u.minute = excluded.minute THEN u.used + 1 ELSE 1 END
    RETURNING used
"""


@dataclass(frozen=True, slots=True)
class NewToken:
    """A token with its secret, for the one moment in which it is known."""

    token: ApiToken
    secret: str


def digest_of(secret: str) -> str:
    """What is kept of a secret. It is 256 random bits, so a plain digest cannot be guessed back."""
    return sha256(secret.encode()).hexdigest()


def client_make(*, by: User, name: str, about: str, role: str, site: Site | None, days: int) -> NewToken:
    """Add a client with one role, at one site or at all, and its first token."""
    require_role(by, Role.ADMINISTRATOR)
    if role not in {one.value for one in PEOPLE}:
        raise RoundbookError("role_unknown", _("Choose a role from the list."))
    if not name.strip() or not about.strip():
        raise RoundbookError("words_missing", _("Say what the program is called, and whom to call about it."))
    with acting(by, reason="client added") as frame:
        number = ApiClient.objects.count() + 1
        username = f"program-{number}-{secrets.token_hex(3)}"
        user = User.objects.create_user(username=username, full_name=name.strip()[:120])
        Posting.objects.create(user=user, role=role, site=site)
        client = ApiClient.objects.create(user=user, about=about.strip()[:200], made_at=frame.now, made_by=by)
        return token_make(by=by, client=client, days=days)


def token_make(*, by: User, client: ApiClient, days: int) -> NewToken:
    """Make a client's next token; the one before stops at once. The secret is in the answer and nowhere else."""
    require_role(by, Role.ADMINISTRATOR)
    if not 1 <= days <= LONGEST_DAYS:
        raise RoundbookError("days_out_of_bounds", _("A token lasts 1 to %(n)s days.") % {"n": LONGEST_DAYS})
    secret = PREFIX + secrets.token_urlsafe(32)
    with acting(by, reason="token made") as frame:
        client = ApiClient.objects.select_for_update().get(pk=client.pk)
        client.tokens.filter(revoked_at=None).update(revoked_at=frame.now, revoked_by=by)
        token = ApiToken.objects.create(
            client=client, digest=digest_of(secret), hint=secret[: len(PREFIX) + 4], made_at=frame.now, made_by=by,
            expires_at=frame.now + timedelta(days=days),
        )  # fmt: skip
    return NewToken(token, secret)


def token_revoke(*, by: User, client: ApiClient) -> bool:
    """End a client's token now; False when it has none that could still be used."""
    require_role(by, Role.ADMINISTRATOR)
    with acting(by, reason="token revoked") as frame:
        return bool(client.tokens.filter(revoked_at=None).update(revoked_at=frame.now, revoked_by=by))


def token_find(secret: str) -> ApiToken | None:
    """The live token of a secret, with its client and user; None when unknown, expired, revoked or its user left."""
    found = (
        ApiToken.objects.select_related("client__user").filter(digest=digest_of(secret), revoked_at=None).first()
    )
    if found is None or found.expires_at <= clock.now() or not found.client.user.is_active:
        return None
    return found


def token_used(token: ApiToken) -> int:
    """Count one request; returns how many the token made in this minute."""
    with connection.cursor() as cursor:
        cursor.execute(USED, [token.pk, clock.now().replace(second=0, microsecond=0)])
        return int(cursor.fetchone()[0])


def clients_listed() -> list[tuple[ApiClient, ApiToken | None, Posting | None]]:
    """Every client with its live token and its posting."""
    found = ApiClient.objects.select_related("user").prefetch_related("tokens__use", "user__postings__site")
    listed = []
    for client in found:
        live = next((one for one in client.tokens.all() if one.revoked_at is None), None)
        listed.append((client, live, next(iter(client.user.postings.all()), None)))
    return listed
