"""Answers kept by `Idempotency-Key`: the same request again gets the same answer, and what it asked is done once.

The key's row, what was asked and the answer are one transaction. A twin waits for it on the key's unique index; a
process that dies before the commit leaves nothing, one that dies after it leaves the answer for the repetition.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256

from django.db import OperationalError, connection, transaction
from django.utils.translation import gettext as _

from staff import clock
from staff.errors import IllegalMove, RoundbookError
from staff.models import ApiClient, KeptAnswer

WAIT = "30s"
LOCK_NOT_AVAILABLE = "55P03"
CLAIM = """
    INSERT INTO staff_keptanswer (client_id, key, digest, status, body, headers, at) VALUES (%s, %s, %s, 0, '', '{}', %s)
    ON CONFLICT (client_id, key) DO NOTHING RETURNING id
"""


@dataclass(frozen=True)
class Answer:
    """Status, body and headers as they went out, or will."""

    status: int
    body: str
    headers: dict[str, str] = field(default_factory=dict)
    repeated: bool = False


def request_digest(*parts: str | bytes) -> str:
    """A digest of what was asked: method, path, query, condition and body, each with its length before it."""
    digest = sha256()
    for part in parts:
        raw = part.encode() if isinstance(part, str) else part
        digest.update(f"{len(raw)}:".encode())
        digest.update(raw)
    return digest.hexdigest()


def answer_once(*, client: ApiClient, key: str, digest: str, work: Callable[[], Answer]) -> Answer:
    """Do the work and keep its answer, or give the answer kept under this key.

    `work` answers refusals itself and raises only for what is nobody's answer; then nothing is kept and the key is
    free. RoundbookError `key_reused` when the key was used for another request; IllegalMove `still_working` when the
    same request has been at work elsewhere for half a minute.
    """
    with transaction.atomic():
        claimed = _claim(client, key, digest)
        if claimed is None:
            return _kept(client, key, digest)
        answer = work()
        KeptAnswer.objects.filter(pk=claimed).update(
            status=answer.status, body=answer.body, headers=answer.headers
        )
    return answer


def _claim(client: ApiClient, key: str, digest: str) -> int | None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('lock_timeout', %s, true)", [WAIT])
        try:
            cursor.execute(CLAIM, [client.pk, key, digest, clock.now()])
        except OperationalError as error:
            if getattr(error.__cause__, "sqlstate", "") != LOCK_NOT_AVAILABLE:
                raise
            words = _("The same request is still being worked on. Ask again with the same key.")
            raise IllegalMove("still_working", words) from error
        row = cursor.fetchone()
        cursor.execute("SELECT set_config('lock_timeout', '0', true)")
    return int(row[0]) if row else None


def _kept(client: ApiClient, key: str, digest: str) -> Answer:
    kept = KeptAnswer.objects.get(client=client, key=key)
    if kept.digest != digest:
        words = _("This key was used for another request. Use a new key for each new request.")
        raise RoundbookError("key_reused", words)
    return Answer(kept.status, kept.body, dict(kept.headers), repeated=True)


def answers_forget(*, before: datetime) -> int:
    """Forget the answers kept before a moment; returns how many."""
    return KeptAnswer.objects.filter(at__lt=before).delete()[0]


def as_json(data: object) -> str:
    """A body as it goes out."""
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"))
