"""The lists of “Nobody falls through”: who is on each, settling with evidence, papers, drills, and what was known on a day.

The lists are those of the project's own job description, section 4.6; settling follows its ruling R18.
"""

import json
from collections.abc import Callable
from datetime import date, timedelta
from io import BytesIO

import pytest
from django.core.management import call_command
from django.db import DatabaseError
from django.test import Client
from django.utils.formats import date_format
from pypdf import PdfReader

from oversight.models import LedgerCount, NetCount, Paper, ProofRun, RestoreDrill, Settlement
from oversight.net import LISTS
from oversight.services.drills import drill_note, restored_report
from oversight.services.known import end_of, known_list, known_person
from oversight.services.ledgers import balances, run_before
from oversight.services.net import net_lines, net_series, net_settle, run_a_month_before
from oversight.services.papers import papers_make
from oversight.services.proofs import prove
from results.services.look_back import look_back_open
from screening.models import Person
from staff import clock
from staff.acting import acting
from staff.errors import NotAllowed, RoundbookError
from staff.ledger.moves import make_move
from staff.models import AccessEntry, User
from tests import cast
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")
NET = "/nobody-falls-through/"
SignIn = Callable[[str], Client]
WORDS = "Rang twice; the daughter says she is in hospital until July."


def ago(days: int) -> date:
    return clock.today() - timedelta(days=days)


def waiting(name: str) -> NetCount:
    prove(by=User.objects.system())
    return NetCount.objects.filter(name=name).order_by("-pk")[0]


def somebody_unreached() -> int:
    """A result at or above released ten days ago; nobody has spoken with the person."""
    result = worked.released(worked.came_back(worked.invited(ago(40)), ago(12)), ago(10), high=True)
    return int(result.referral_link.referral_id)


def test_twenty_lists_the_offers_and_the_notices_are_declared_in_order() -> None:
    assert [one.number for one in LISTS.values()] == list(range(1, 23))
    assert all(one.who and one.question and one.what_to_do for one in LISTS.values())


def test_somebody_waits_until_spoken_with() -> None:
    referral = somebody_unreached()
    count = waiting("no_contact")
    assert (count.waiting, count.oldest_days, count.without_owner) == (1, 10, 0)
    assert count.rows[0]["id"] == referral
    assert count.rows[0]["note"] == "short"
    result = worked.Referral.objects.get(pk=referral)
    result.attempts.create(
        outcome="spoke", made_at=clock.now(), made_on=clock.today(), made_by=cast.member(cast.NURSE)
    )
    assert waiting("no_contact").waiting == 0


def test_an_entry_is_settled_with_evidence_until_a_day_and_comes_back() -> None:
    referral = somebody_unreached()
    settle = {"name": "no_contact", "thing": "referral", "thing_id": referral}
    by = cast.member(cast.NURSE)
    for wrong, code in (
        ({"evidence": "done", "until": ago(-5)}, "evidence_missing"),
        ({"evidence": WORDS, "until": clock.today()}, "until_range"),
        ({"evidence": WORDS, "until": ago(-400)}, "until_range"),
    ):
        with pytest.raises(RoundbookError) as refused:
            net_settle(by=by, **settle, **wrong)
        assert refused.value.code == code
    with pytest.raises(NotAllowed):
        net_settle(by=cast.member(cast.MANAGER), **settle, evidence=WORDS, until=ago(-5))
    net_settle(by=by, **settle, evidence=WORDS, until=ago(-5))
    count = waiting("no_contact")
    assert (count.waiting, count.settled) == (0, 1)
    with clock.at(clock.now() + timedelta(days=6)):
        count = waiting("no_contact")
        assert (count.waiting, count.settled) == (1, 0)
    with pytest.raises(DatabaseError):
        Settlement.objects.all().delete()


def test_an_absent_owner_is_one_row() -> None:
    by = cast.member(cast.ADMINISTRATOR)
    with acting(by):
        for _n in range(3):
            referral = worked.Referral.objects.get(pk=somebody_unreached())
            make_move(referral, "claim", due_on=clock.today(), owner=cast.member(cast.COORDINATOR))
    User.objects.filter(username=cast.COORDINATOR).update(is_active=False)
    count = waiting("owner_away")
    assert count.waiting == 1
    assert count.rows[0]["note"] == "left:3"


def test_the_pages_show_who_waits_and_take_the_evidence(signed_in: SignIn) -> None:
    referral = somebody_unreached()
    client = signed_in(cast.NURSE)
    assert "Nothing has been checked yet." in client.get(NET).content.decode()
    prove(by=User.objects.system())
    text = client.get(NET).content.decode()
    assert "1 person has an open question" in text
    assert "At or above, and nobody has spoken with them" in text
    page = f"{NET}list/no_contact/"
    text = client.get(page).content.decode()
    assert f"referral {referral}" in text
    assert "Show me the proof" in text
    assert "Tovelin" not in text
    answer = client.post(
        f"{page}settle/", {"thing": "referral", "thing_id": referral, "evidence": "x", "until": "soon"}
    )
    assert answer.status_code == 422
    assert f'name="thing_id" value="{referral}"' in answer.content.decode()
    good = {"thing": "referral", "thing_id": referral, "evidence": WORDS, "until": str(ago(-9))}
    text = client.post(f"{page}settle/", good, follow=True).content.decode()
    assert WORDS in text
    assert Settlement.objects.get().settled_by == cast.member(cast.NURSE)
    assert client.get(f"{NET}list/none/").status_code == 404
    assert signed_in(cast.MANAGER).post(f"{page}settle/", good).status_code == 403


def test_a_month_ago_is_what_was_stored_then_or_nothing(signed_in: SignIn) -> None:
    client = signed_in(cast.MANAGER)
    with clock.at(clock.moment(ago(60), 21)):
        prove(by=User.objects.system())
    prove(by=User.objects.system())
    assert "stays empty until a proof has been stored for 30 days" in client.get(NET).content.decode()
    worked.came_back(worked.invited(ago(60)), ago(50))
    with clock.at(clock.moment(ago(33), 21)):
        prove(by=User.objects.system())
    with clock.at(clock.moment(ago(31), 21)):
        then = prove(by=User.objects.system())
    now = prove(by=User.objects.system())
    assert run_a_month_before(now) == then
    line = next(one for one in net_lines(now, then) if one.one.name == "kit_no_result")
    assert (line.month_ago, line.trend) == (1, 0)
    told = f"“A month ago” is what was counted on {date_format(ago(31), 'j F Y')}."
    assert told in client.get(NET).content.decode()
    assert [one.waiting for one in net_series("kit_no_result", now)] == [1, 1, 1, 0]
    text = client.get(f"{NET}list/kit_no_result/").content.decode()
    assert "How it stood: each count as it was stored that night." in text


def test_an_alarm_stands_on_every_page_of_whoever_oversees(signed_in: SignIn) -> None:
    worked.came_back(worked.invited(ago(40)), ago(9))
    prove(by=User.objects.system())
    words = "of the safety net do"
    assert words in signed_in(cast.COORDINATOR).get("/follow-up/").content.decode()
    assert words not in signed_in(cast.FRONT_DESK).get("/").content.decode()


def test_ledgers_balance_from_night_to_night_and_name_a_difference() -> None:
    round_ = worked.invited(ago(30))
    prove(by=User.objects.system())
    worked.came_back(round_, clock.today())
    run = prove(by=User.objects.system())
    found = {str(b.name): b for b in balances(run, run_before(run))}
    assert all(balance.balances for balance in found.values())
    kits = {str(line.part): (line.was, line.came, line.went, line.now) for line in found["kits"].lines}
    assert kits["handed to the post"] == (1, 0, 1, 0)
    assert kits["came back"] == (0, 1, 0, 1)
    assert (found["returns"].total.was, found["returns"].total.came, found["returns"].total.now) == (0, 1, 1)
    line = found["kits"].lines[0]
    assert type(line)(line.ledger, line.part, 5, 2, 1, 4).difference == -2
    assert LedgerCount.objects.filter(run=run, ledger="person").exists()


def test_papers_are_made_once_a_night_and_read_back(signed_in: SignIn) -> None:
    somebody_unreached()
    prove(by=User.objects.system())
    today = clock.today()
    assert papers_make(by=User.objects.system(), day=today) is True
    assert papers_make(by=User.objects.system(), day=today) is False
    client = signed_in(cast.NURSE)
    statement = PdfReader(BytesIO(client.get(f"{NET}statement/latest/").content))
    words = " ".join(statement.pages[0].extract_text().split())
    assert len(statement.pages) == 1
    assert "1 people have an open question" in words or "person" in words
    assert "Signature of this page" in words
    assert "Tovelin" not in words
    before = AccessEntry.objects.count()
    pack = PdfReader(BytesIO(client.get(f"{NET}continuity/{today}/").content))
    words = " ".join(" ".join(page.extract_text() for page in pack.pages).split())
    person = Person.objects.get(referrals__isnull=False)
    assert person.family_name in words
    assert "All open referrals: 1" in words
    assert AccessEntry.objects.count() == before + 1
    assert Paper.objects.get(kind="continuity").pages == len(pack.pages)
    assert signed_in(cast.AUDITOR).get(f"{NET}continuity/latest/").status_code == 403
    assert signed_in(cast.AUDITOR).get(f"{NET}statement/2020-01-01/").status_code == 404


def test_what_was_known_on_a_day_is_what_was_recorded_by_then(signed_in: SignIn) -> None:
    round_ = worked.invited(ago(30))
    person = round_.person
    with clock.at(clock.moment(ago(10), 9)), acting(cast.member(cast.PHONE_DESK)):
        Person.objects.filter(pk=person.pk).update(phone="010 555-0199")
    worked.came_back(round_, ago(5))
    old = known_person(Person.objects.get(pk=person.pk), ago(20))
    phone = next(fact for fact in old.facts if fact.name == "phone")
    assert (phone.then, phone.now, phone.changed) == ("", "010 555-0199", True)
    stood = next(thing for thing in old.things if str(thing.ledger) == "round")
    assert [step.event for step in stood.then] == ["open", "kit sent"]
    assert [step.event for step in stood.since] == ["kit back"]
    assert known_person(person, ago(5)).changed == 0 or known_person(person, clock.today()).changed == 0
    total, rows = known_list("rounds", ago(20))
    assert (total, rows[0].id, rows[0].changed) == (1, round_.pk, True)
    assert known_list("samples", ago(20))[0] == 0
    assert end_of(ago(20)) < clock.moment(ago(19))
    client = signed_in(cast.NURSE)
    text = client.get(f"{NET}known/?day={ago(20)}&what=rounds").content.decode()
    assert "1 stood on this list." in text
    text = client.get(f"{NET}known/{person.pk}/?day={ago(20)}").content.decode()
    assert "010 555-0199" in text
    assert client.get(f"{NET}known/?day=2099-01-01").status_code == 200
    assert "not kept" in client.get(f"{NET}known/?day={ago(20)}&what=uptake_90").content.decode()
    assert signed_in(cast.AUDITOR).get(f"{NET}known/{person.pk}/").status_code == 403


def test_a_restore_drill_is_kept_with_what_differs(tmp_path: object) -> None:
    somebody_unreached()
    prove(by=User.objects.system())
    report = json.loads(json.dumps(restored_report(), default=str))
    file = tmp_path / "report.json"  # type: ignore[operator]
    file.write_text(json.dumps(report))
    good = {**report, "checks": {name: [n, 0] for name, (n, _bad) in report["checks"].items()}}
    assert drill_note(by=User.objects.system(), report=good, kind="dump", taken_at=clock.now()).ledgers_equal
    report["run_ledgers"][0][2] += 1
    drill = drill_note(by=User.objects.system(), report=report, kind="dump", taken_at=clock.now())
    assert not drill.ledgers_equal
    assert len(drill.differences) == 1
    assert ProofRun.objects.get().results.get(check_name="I44").violating == 0
    assert prove(by=User.objects.system()).results.get(check_name="I44").violating == 1
    assert "I44" not in restored_report()["checks"], "a drill that failed must not fail the next one"
    with pytest.raises(SystemExit):
        call_command("restore_drill", str(file), "--kind", "base")
    assert RestoreDrill.objects.count() == 3


def test_look_backs_stand_on_the_page_until_every_sample_is_settled(signed_in: SignIn) -> None:
    somebody_unreached()
    look_back = look_back_open(
        by=cast.member(cast.LABORATORY),
        kind="run",
        ref=worked.Run.objects.get().pk,
        reason="the cuvette drifted",
    )
    prove(by=User.objects.system())
    count = NetCount.objects.get(name="not_retested")
    assert (count.waiting, count.rows[0]["note"]) == (1, "undecided")
    client = signed_in(cast.MANAGER)
    text = client.get(NET).content.decode()
    assert "the cuvette drifted" in text
    assert "0 / 1" in text
    look_back.rows.update(action="nothing", settled_at=clock.now(), settled_how="nothing needed")
    assert "100 %" in client.get(NET).content.decode()
    prove(by=User.objects.system())
    assert NetCount.objects.filter(name="not_retested").order_by("-pk")[0].waiting == 0
