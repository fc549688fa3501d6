"""The signature of a nightly statement: over what the page says, so that a printed one can be held against the registry."""

import hashlib
import hmac
from dataclasses import dataclass
from datetime import date

from django.conf import settings

from oversight.models import Paper, ProofRun, Seal
from oversight.services.open_questions import open_questions_of
from oversight.services.seal_told import signature_of

PRINTED = 32
"""Characters of the signature that stand on the page."""


def seal_of_statement(before: Paper | None = None) -> Seal | None:
    """The seal that a statement made now names, or that a kept one names."""
    seals = Seal.objects.filter(whole=True)
    return (seals.filter(made_at__lte=before.made_at) if before else seals).order_by("-pk").first()


def statement_signature(run: ProofRun, seal: Seal | None, *, key: str | None = None) -> str:
    """Signs what the page says: when, what is open, every list, check and ledger as counted, and the seal."""
    told = [run.pk, run.started_at.isoformat(), open_questions_of(run), seal.digest if seal else ""]
    told += run.results.order_by("check_name").values_list("check_name", "checked", "violating")
    told += run.net.order_by("name").values_list("name", "waiting", "without_owner", "oldest_days")
    told += run.ledgers.order_by("ledger", "part").values_list("ledger", "part", "counted", "came", "went")
    digest = hashlib.sha256("\n".join(map(str, told)).encode()).hexdigest()
    return signature_of(digest, key)[:PRINTED]


@dataclass(frozen=True, slots=True)
class Held:
    """A printed statement held against the registry: whether one of that day is kept, and whether it is this one."""

    day: date
    kept: bool
    same: bool


def statement_held(day: date, signature: str) -> Held:
    """Compare the signature on a printed statement with the one that what is stored of that night gives today.

    They differ when the page is not ours, when it was copied wrongly, or when a count of that night or its seal was altered since.
    """
    paper = Paper.objects.filter(kind=Paper.Kind.STATEMENT, day=day).defer("content").first()
    if paper is None:
        return Held(day, kept=False, same=False)
    full = ProofRun.objects.filter(kind=ProofRun.Kind.FULL, started_at__lte=paper.made_at)
    run = full.order_by("-pk").first()
    if run is None:
        return Held(day, kept=True, same=False)
    seal, typed = seal_of_statement(paper), "".join(signature.split()).lower()
    keys = (None, *settings.SEAL_KEYS_BEFORE)
    same = any(
        hmac.compare_digest(typed.encode(), statement_signature(run, seal, key=key).encode()) for key in keys
    )
    return Held(day, kept=True, same=same)
