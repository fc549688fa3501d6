"""The papers of a night, made and kept: the signed statement, and the continuity pack for a day without power."""

import hashlib
import re
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import date

from django.conf import settings
from django.template.loader import render_to_string

from oversight.checks import CHECKS, Severity
from oversight.models import Paper, ProofRun
from oversight.net import LISTS
from oversight.services.continuity import continuity_pack
from oversight.services.duties import duty_claim, duty_done
from oversight.services.ledgers import balances, run_before
from oversight.services.net import net_lines, run_a_month_before
from oversight.services.open_questions import open_by_holder, open_questions_of
from oversight.services.proofs import p1_violations, proof_latest, run_summary
from oversight.services.seal import day_sealed
from oversight.services.statements import seal_of_statement, statement_signature
from staff import clock
from staff.acting import acting
from staff.models import User
from staff.paper import pdf_made

STYLES = {
    Paper.Kind.STATEMENT: """
h1 { font-size: 15pt; margin: 0 0 1mm; } h2 { font-size: 10.5pt; margin: 3mm 0 1mm; } body { font-size: 8.5pt; } p { margin: 0 0 1.2mm; }
table { font-size: 7.6pt; } th, td { padding: 0.35mm 1.2mm; } .n { text-align: right; } .bad { font-weight: bold; }
.two { display: grid; grid-template-columns: 56% 42%; column-gap: 2%; } code { font-family: "DejaVu Sans Mono", monospace; font-size: 6.8pt; }
.sign { margin: 12mm 0 2mm; display: grid; grid-template-columns: 1fr 1fr; column-gap: 8mm; } .sign div { border-top: 0.5pt solid #555555; padding-top: 1mm; }
.big { font-size: 10pt; border: 0.8pt solid #000000; padding: 2mm; margin: 2mm 0; }
""",
    Paper.Kind.CONTINUITY: """
body { font-size: 9pt; } table { font-size: 8.5pt; margin-bottom: 3mm; } th, td { padding: 0.8mm 1.5mm; vertical-align: top; } .write { width: 34mm; } .now { white-space: nowrap; }
h2 { break-before: auto; }
""",
}


def statement_html() -> str | None:
    """The statement of the last full proof as one page of HTML; None before the first proof."""
    run = proof_latest(full=True)
    if run is None:
        return None
    before, seal = run_before(run), seal_of_statement()
    told = {
        "summary": run_summary(run), "grave": p1_violations(run), "balances": balances(run, before), "before": before,
        "lines": net_lines(run, run_a_month_before(run)), "open": open_questions_of(run), "seal": seal, "sealed": day_sealed(seal.day)[0] if seal else 0, "lists": len(LISTS), "now": clock.now(), "programme_name": settings.PROGRAMME_NAME, "holders": open_by_holder(),
        "severities": severities(run), "signature": statement_signature(run, seal),
    }  # fmt: skip
    return render_to_string("oversight/paper/statement.html", told)


def pages_of(content: bytes) -> int:
    """How many pages a PDF of ours has: its page tree says so."""
    plain = content + b"".join(_inflated(content))
    return max((int(n) for n in re.findall(rb"/Type /Pages[^>]*?/Count (\d+)", plain)), default=1)


def _inflated(content: bytes) -> Iterator[bytes]:
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", content, re.S):
        with suppress(zlib.error):
            yield zlib.decompress(packed)


def severities(run: ProofRun) -> list[tuple[Severity, int, int, int]]:
    """For each severity: checks, how many of them do not hold, and how many things they looked at."""
    results = [(CHECKS[r.check_name].severity, r) for r in run.results.all() if r.check_name in CHECKS]
    return [
        (one, len(own), sum(bool(r.violating) for r in own), sum(r.checked for r in own))
        for one in Severity
        if (own := [r for severity, r in results if severity is one])
    ]


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
        content = pdf_made(body, style=STYLES[kind])
        with acting(by, reason=f"duty {name}") as frame:
            if duty_claim(name, day) and not Paper.objects.filter(kind=kind, day=day).exists():
                Paper.objects.create(
                    kind=kind, day=day, made_at=frame.now, pages=pages_of(content),
                    sha256=hashlib.sha256(content).hexdigest(), content=content,
                )  # fmt: skip
                made = True
    return made
