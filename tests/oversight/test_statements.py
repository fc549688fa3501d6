"""A printed statement held against the registry: ours and unchanged, or not; typed from the page as somebody would."""

import re
from collections.abc import Callable
from datetime import timedelta
from io import BytesIO

import pytest
from django.test import Client
from pypdf import PdfReader

from oversight.models import Paper, ProofRun
from oversight.services.papers import papers_make
from oversight.services.proofs import prove
from oversight.services.seal import seal_night
from oversight.services.statements import statement_held
from staff import clock
from staff.models import User
from tests import cast
from tests.oversight.damaging import off, run, undone

SignIn = Callable[[str], Client]
PAGE = "/nobody-falls-through/ledgers/"


def printed() -> str:
    """The signature as it stands on today's statement, made now."""
    system, day = User.objects.system(), clock.today()
    seal_night(by=system, day=day)
    prove(by=system)
    papers_make(by=system, day=day)
    paper = Paper.objects.get(kind=Paper.Kind.STATEMENT, day=day)
    words = PdfReader(BytesIO(bytes(paper.content))).pages[0].extract_text()
    found = re.search(r"Signature of this page\s+([0-9a-f]{32})", words)
    assert found is not None
    return found[1]


@pytest.mark.usefixtures("region")
def test_a_statement_is_held_against_the_registry_on_the_page(signed_in: SignIn) -> None:
    signature, day = printed(), clock.today()
    client = signed_in(cast.MANAGER)

    def answer(**asked: object) -> str:
        return client.get(PAGE, asked).content.decode()

    assert "as it was that night" in answer(day=day, signature=signature)
    spaced = " ".join(signature[n : n + 8] for n in range(0, 32, 8)).upper()
    assert "as it was that night" in answer(day=day, signature=spaced)
    other = ("0" if signature[0] != "0" else "1") + signature[1:]
    assert "is not that of the statement" in answer(day=day, signature=other)
    assert "is kept. Look at the day on the page" in answer(day="2020-01-01", signature=signature)
    assert "32 letters and digits" in answer(day=day, signature="x")
    assert "Write it as year-month-day." in answer(day="soon", signature=signature)
    with clock.at(clock.now() + timedelta(hours=1)):
        prove(by=User.objects.system())
    assert statement_held(day, signature).same, "a later proof does not change what was printed"


@pytest.mark.timeout(600)
@pytest.mark.xdist_group("rehearsal")
def test_a_count_altered_since_makes_the_printed_one_differ(as_owner_of_region: ProofRun) -> None:
    day = clock.today()
    with undone():
        off("oversight_paper")
        Paper.objects.filter(day=day).delete()
        run("DELETE FROM staff_duty WHERE duty LIKE 'paper-%%' AND local_day = %s", day)
        signature = printed()
        assert statement_held(day, signature).same
        tables = ("oversight_netcount", "oversight_proofresult", "oversight_ledgercount", "oversight_seal")
        off(*tables)
        last = ProofRun.objects.filter(kind="full").order_by("-pk")[0].pk
        for change in (
            "UPDATE oversight_netcount SET waiting = waiting + 1 WHERE run_id = %s AND name = 'no_contact'",
            "UPDATE oversight_proofresult SET violating = 1 WHERE run_id = %s AND check_name = 'I1'",
            "UPDATE oversight_ledgercount SET came = came - 1 WHERE run_id = %s AND part = 'living'",
            "UPDATE oversight_seal SET digest = repeat('0', 64) WHERE %s > 0 AND id = (SELECT max(id) FROM oversight_seal)",
        ):
            with undone():
                run(change, last)
                assert not statement_held(day, signature).same
        assert statement_held(day, signature).same
