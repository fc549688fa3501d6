"""A program for tests: knows an address, a token and HTTP, and reads the schema for everything else."""

import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.test import Client

from staff.models import Site
from staff.services.clients import client_make
from tests import cast

ROLES = ("front_desk", "phone_desk", "laboratory", "coordinator", "clinician", "manager", "administrator", "auditor")


@dataclass
class Told:
    """One answer."""

    status: int
    data: Any
    headers: Mapping[str, str]


def a_token(role: str, site: str = "", days: int = 30) -> str:
    """The secret of a new client's token."""
    where = Site.objects.get(code=site) if site else None
    made = client_make(
        by=cast.member(cast.ADMINISTRATOR), name=f"{role} program", about="the tests", role=role, site=where, days=days
    )
    return made.secret


def fresh_key() -> str:
    """A key of its own for one request."""
    return uuid.uuid4().hex


class Program:
    """Sends requests with its token."""

    def __init__(self, secret: str = "", client: Client | None = None) -> None:
        self.http = client or Client(raise_request_exception=True)
        self.secret = secret

    def headers(self, more: Mapping[str, str]) -> dict[str, str]:
        """What goes with every request."""
        token = {"Authorization": f"Bearer {self.secret}"} if self.secret else {}
        return token | dict(more)

    def get(self, path: str, **headers: str) -> Told:
        """One reading request."""
        return told(self.http.get(path, headers=self.headers(headers)))

    def post(self, path: str, body: Any = None, *, key: str | None = None, csv: bytes | None = None, **headers: str) -> Told:
        """One changing request, with a key of its own unless one is given."""
        given = {"Idempotency-Key": fresh_key() if key is None else key} if key != "" else {}
        data = csv if csv is not None else json.dumps({} if body is None else body)
        kind = "application/json" if csv is None else "text/csv"
        sent = self.http.post(path, data, content_type=kind, headers=self.headers(given | headers))
        return told(sent)


def told(response: Any) -> Told:
    """An answer as data."""
    text = response.content.decode()
    kind = response.headers.get("Content-Type", "")
    return Told(response.status_code, json.loads(text) if "json" in kind and text else text, response.headers)
