"""A programme founded in an empty installation, as an operator does it: the plan that ships, two people, all or nothing."""

import io
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from results.models import CutoffRule, ResultsPolicy
from screening.models import Area, Practice, Protocol, ScreeningPolicy
from staff.context import PAGES
from staff.models import Site, User
from staff.services.accounts import Place, account_add

pytestmark = pytest.mark.django_db
PLAN = Path(__file__).resolve().parents[2] / "deploy" / "programme.example.toml"
PASSWORD = "violet-harbour-42"
EVERYTHING = ("manager", "laboratory", "clinician", "coordinator", "phone_desk", "front_desk", "auditor")


@pytest.fixture
def staff_of_two() -> None:
    first = [Place("administrator"), *(Place(role) for role in EVERYTHING)]
    orla = account_add(
        by=User.objects.system(), username="orla", full_name="Orla", password=PASSWORD, places=first
    )
    account_add(by=orla, username="ines", full_name="Dr Ines", password=PASSWORD, places=[Place("clinician")])


def _found(
    plan: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    proposed: str = "orla",
    approved: str = "ines",
    password: str = PASSWORD,
) -> str:
    monkeypatch.setattr("sys.stdin", io.StringIO(password + "\n"))
    out = io.StringIO()
    call_command(
        "found", str(plan), "--proposed-by", proposed, "--approved-by", approved, "--stdin", stdout=out
    )
    return out.getvalue()


def _answers() -> dict[str, int]:
    browser = Client()
    browser.post("/sign-in/", {"username": "orla", "password": PASSWORD})
    return {
        name: browser.get(reverse(name)).status_code
        for name in ("staff:home", *(name for name, _words in PAGES))
    }


@pytest.mark.usefixtures("staff_of_two")
def test_before_it_pages_say_what_is_missing_and_after_it_every_page_opens(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = _answers()
    assert set(before.values()) <= {200, 503}
    assert before["staff:home"] == before["screening:batches"] == 503
    assert _found(PLAN, monkeypatch).startswith("protocol Protocol 1, in_force_from 2026-01-01")
    assert set(_answers().values()) == {200}
    policy = ScreeningPolicy.objects.get()
    assert (policy.age_from, policy.age_to, policy.interval_months) == (50, 75, 24)
    assert (CutoffRule.objects.get().cutoff_ug_g, ResultsPolicy.objects.get().examination_days) == (20, 31)
    assert [one.objects.count() for one in (Site, Area, Practice)] == [1, 1, 1]
    with pytest.raises(CommandError, match="There is a protocol already"):
        _found(PLAN, monkeypatch)


@pytest.mark.usefixtures("staff_of_two")
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("ug_g = 20", "ug_g = 2000"), "cutoff_is_plausible"),
        (("[[cutoff]]\nug_g = 20", ""), "at least one"),
        (("ug_g = 20", "ug_l = 20"), "a cutoff has ug_g"),
        (("age_from = 50", "age_from = 5"), "screening.age_from: 5 is not plausible"),
        (("age_from = 50", "ages_from = 50"), "screening has no field 'ages_from'"),
        (("interval_months = 24", 'interval_months = "two years"'), "screening.interval_months"),
        (("valid_from = 2026-01-01", "valid_from = 2030-01-01"), "a day that has come"),
        (("[[practice]]", "[[doctor]]"), "no part 'doctor'"),
        (("[protocol]", "[protocol"), "cannot be read"),
    ],
)
def test_a_plan_that_cannot_be_leaves_nothing(
    change: tuple[str, str], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = PLAN.read_text()
    assert change[0] in text
    plan = tmp_path / "plan.toml"
    plan.write_text(text.replace(*change))
    with pytest.raises(CommandError, match=words):
        _found(plan, monkeypatch)
    assert [one.objects.count() for one in (Site, Area, Practice, Protocol, CutoffRule)] == [0, 0, 0, 0, 0]


@pytest.mark.usefixtures("staff_of_two")
def test_it_takes_two_people_and_the_second_ones_own_password(monkeypatch: pytest.MonkeyPatch) -> None:
    for given, words in (
        ({"password": "a guess"}, "not the approver's password"),
        ({"approved": "orla"}, "Somebody else must approve"),
        ({"proposed": "ines"}, "."),
        ({"approved": "nobody"}, "nobody called"),
    ):
        with pytest.raises(CommandError, match=words):
            _found(PLAN, monkeypatch, **given)
    assert not Protocol.objects.exists()
