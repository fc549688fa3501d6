"""The papers of a night, made and kept: the signed statement, and the continuity pack for a day without power."""

import hashlib
from collections.abc import Callable
from datetime import date

from django.template.loader import render_to_string

from oversight.models import Paper, Seal
from oversight.net import LISTS
from oversight.services.continuity import continuity_pack
from oversight.services.duties import duty_claim, duty_done
from oversight.services.ledgers import balances, run_before
from oversight.services.net import net_lines
from oversight.services.open_questions import open_questions
from oversight.services.proofs import p1_violations, proof_latest, run_summary
from oversight.services.seal import signature_of
from staff import clock
from staff.acting import acting
from staff.models import User
from staff.paper import pdf_made


def statement_html() -> str | None:
    """The statement of the last full proof as one page of HTML; None before the first proof."""
    run = proof_latest(full=True)
    if run is None:
        return None
    before, seal = run_before(run), Seal.objects.order_by("-pk").first()
    told = {
        "summary": run_summary(run), "grave": p1_violations(run), "balances": balances(run, before), "before": before,
        "lines": net_lines(run), "open": open_questions(), "seal": seal, "lists": len(LISTS), "now": clock.now(),
    }  # fmt: skip
    body = render_to_string("oversight/paper/statement.html", told)
    return body.replace("{signature}", signature_of(hashlib.sha256(body.encode()).hexdigest())[:32])


def papers_make(*, by: User, day: date) -> bool:
    """Make the papers of a day unless they are made; True when this call made any. Killed half-way, it is done again."""
    makers: list[tuple[Paper.Kind, Callable[[], str | None]]] = [
        (Paper.Kind.STATEMENT, statement_html), (Paper.Kind.CONTINUITY, lambda: continuity_pack(day)),
    ]  # fmt: skip
    made = False
    for kind, html in makers:
        name = f"paper-{kind.value}"
        if duty_done(name, day):
            continue
        body = html()
        if body is None:
            continue
        content = pdf_made(body)
        with acting(by, reason=f"duty {name}") as frame:
            if duty_claim(name, day) and not Paper.objects.filter(kind=kind, day=day).exists():
                Paper.objects.create(
                    kind=kind, day=day, made_at=frame.now, pages=content.count(b"/Type /Page\n") or 1,
                    sha256=hashlib.sha256(content).hexdigest(), content=content,
                )  # fmt: skip
                made = True
    return made
