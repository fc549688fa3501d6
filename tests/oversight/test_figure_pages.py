"""The pages of figures through HTTP: who sees what, filters in the address, definitions upward, lists downward, files."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from oversight.filters import Asked
from oversight.models import Export, GivenFigure, LevelSet
from oversight.pages.directory import PAGES
from oversight.services.exports import export_ask, exports_make
from oversight.services.given import figure_give, reconcile
from oversight.services.levels import level_set
from results.models import Result
from screening.models import Area
from staff import clock
from staff.errors import RoundbookError
from tests import cast
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]
SENT = date(2026, 5, 4)


def some_people() -> Result:
    """One below, one at or above and examined, one who has not answered; returns the result at or above."""
    worked.released(
        worked.came_back(worked.invited(SENT), SENT + timedelta(days=10)), SENT + timedelta(days=11)
    )
    back = worked.came_back(worked.invited(SENT, sex="male"), SENT + timedelta(days=12))
    high = worked.released(back, SENT + timedelta(days=13), high=True)
    worked.examined(high, SENT + timedelta(days=30))
    worked.invited(SENT, area="NOR")
    return high


@pytest.mark.parametrize("slug", [*PAGES, "two-cohorts"])
def test_every_page_answers_with_people_and_without(signed_in: SignIn, slug: str) -> None:
    client = signed_in(cast.MANAGER)
    address = "/how-are-we-doing/" if slug == "overview" else f"/how-are-we-doing/{slug}/"
    assert client.get(address).status_code == 200
    some_people()
    page = client.get(address, {"by": "age", "sex": "male", "language": "xx"})
    assert page.status_code == 200
    assert "Tovelin" not in page.content.decode()
    page = client.get(address, {"from": "2026-05-01"})
    for block in getattr(page.context.get("page"), "blocks", ()):
        rows = [row for row in (*block.rows, block.foot) if row]
        assert all(len(row) == len(block.columns) for row in rows), block.key


def test_what_the_registry_cannot_count_is_said(signed_in: SignIn) -> None:
    page = signed_in(cast.MANAGER).get("/how-are-we-doing/quality/")
    (block,) = [one for one in page.context["page"].blocks if one.key == "elsewhere"]
    assert len(block.rows) == 3
    assert "Cancers of people who moved away" in page.content.decode()


def test_a_page_that_is_none_is_not_found(signed_in: SignIn) -> None:
    assert signed_in(cast.MANAGER).get("/how-are-we-doing/horoscope/").status_code == 404
    assert signed_in(cast.MANAGER).get("/how-are-we-doing/definition/horoscope/").status_code == 404


def test_filters_live_in_the_address_and_travel_along(signed_in: SignIn) -> None:
    some_people()
    north = str(Area.objects.get(code="NOR").pk)
    page = signed_in(cast.MANAGER).get("/how-are-we-doing/uptake/", {"area": north, "by": "sex"})
    (section, *_rest) = page.context["page"].sections
    assert section.total.figure.denominator == 1
    assert f"area={north}" in page.content.decode().split("Pages of figures")[1]


def test_the_parts_of_the_flow_add_up(signed_in: SignIn) -> None:
    some_people()
    page = signed_in(cast.MANAGER).get(
        "/how-are-we-doing/flow/", {"from2": "2025-01-01", "to2": "2025-12-31"}
    )
    (block,) = page.context["page"].blocks
    assert sum(int(row[1]) for row in block.rows) == int(block.foot[1]) == 3
    assert [len(row) for row in block.rows] == [5] * len(block.rows)
    assert block.foot[3] == "0"


def test_a_figure_opens_upward_to_its_definition(signed_in: SignIn) -> None:
    some_people()
    text = signed_in(cast.AUDITOR).get("/how-are-we-doing/definition/uptake_90/").content.decode()
    assert "2 of 3; 95 % interval" in text
    assert "Acceptable 45 %, desirable 65 %" in text
    assert "to be confirmed against the document" in text
    assert "Set the level" not in text


def test_a_figure_opens_downward_to_its_list_where_the_role_allows(signed_in: SignIn) -> None:
    high = some_people()
    address = "/how-are-we-doing/people/?key=uptake_90&part=counted"
    text = signed_in(cast.COORDINATOR).get(address).content.decode()
    assert "2 rounds" in text
    assert reverse("screening:person", args=[high.person_id]) in text
    assert "Tovelin" not in text
    client = signed_in(cast.MANAGER)
    assert client.get("/how-are-we-doing/people/?key=completion&part=counted").status_code == 404
    assert client.get("/how-are-we-doing/people/?place=to_conclude").context["found"].total == 1


def test_a_level_is_set_confirmed_and_withdrawn(signed_in: SignIn) -> None:
    client = signed_in(cast.MANAGER)
    address = "/how-are-we-doing/definition/uptake_90/"
    told = {"source": "Our own plan", "acceptable": "50", "desirable": "62,5", "confirmed": "1"}
    text = client.post(f"{address}level/", told, follow=True).content.decode()
    assert "Acceptable 50 %, desirable 62.5 % – Our own plan" in text
    client.post(f"{address}level/", {"source": "Our own plan", "withdrawn": "1"})
    assert "– Our own plan</li>" not in client.get(address).content.decode()
    assert LevelSet.objects.count() == 2
    assert (
        "A level is a number"
        in client.post(
            f"{address}level/", {"source": "x", "acceptable": "many"}, follow=True
        ).content.decode()
    )
    assert signed_in(cast.AUDITOR).post(f"{address}level/", told).status_code == 403


@pytest.mark.parametrize(
    ("told", "code"),
    [
        ({"indicator": "none", "source": "x", "acceptable": "1"}, "no_such_indicator"),
        ({"indicator": "uptake_90", "source": " ", "acceptable": "1"}, "level_without_source"),
        ({"indicator": "uptake_90", "source": "x"}, "level_empty"),
        ({"indicator": "uptake_90", "source": "x", "acceptable": "-1"}, "level_out_of_range"),
    ],
)
def test_a_level_that_makes_no_sense_is_refused(told: dict[str, str], code: str) -> None:
    with pytest.raises(RoundbookError) as caught:
        level_set(by=cast.member(cast.MANAGER), **told)  # type: ignore[arg-type]
    assert caught.value.code == code


def test_a_figure_given_is_kept_and_taken_apart_by_cause(signed_in: SignIn) -> None:
    high = some_people()
    client = signed_in(cast.MANAGER)
    days = {"from": "2026-05-01", "to": "2026-05-31"}
    answer = client.post(
        "/how-are-we-doing/definition/positivity/give/", {**days, "given_to": "Ministry"}, follow=True
    )
    assert "Kept: 1 of 2, given to Ministry." in answer.content.decode()
    given = GivenFigure.objects.get()
    assert reconcile(given).differences == []
    # A late kit is read at or above; the first result at or above is withdrawn.
    late = worked.invited(SENT)
    worked.released(worked.came_back(late, SENT + timedelta(days=20)), SENT + timedelta(days=21), high=True)
    with clock.at(clock.moment(SENT + timedelta(days=22), 9)):
        Result.objects.filter(pk=high.pk).update(is_current=False, is_deciding=False)
    found = reconcile(given)
    assert (found.now.numerator, found.now.denominator) == (1, 2)
    assert {(str(row.words), row.numerator, row.denominator) for row in found.differences} == {
        ("results amended, replaced or withdrawn", -1, -1), ("referrals", 1, 1),
    }  # fmt: skip
    assert found.same_definition
    assert "Given to Ministry" in client.get("/how-are-we-doing/definition/positivity/").content.decode()
    with pytest.raises(RoundbookError):
        figure_give(by=cast.member(cast.MANAGER), to=" ", key="positivity", asked=Asked(SENT, SENT))


def test_a_file_is_asked_for_made_and_fetched(signed_in: SignIn) -> None:
    some_people()
    client = signed_in(cast.MANAGER)
    assert "No file was asked for yet." in client.get("/how-are-we-doing/files/").content.decode()

    export_ask(by=cast.member(cast.MANAGER), kind="figures", asked=Asked(date(2026, 1, 1), date(2026, 6, 1)))
    waiting = client.get("/how-are-we-doing/files/").content.decode()
    assert 'hx-trigger="every 2s"' in waiting
    assert exports_make() == 1
    one = Export.objects.get()
    answer = client.get(reverse("oversight:export-fetch", args=[one.pk]))
    assert answer["Content-Type"].startswith("text/csv")
    assert one.file_name in answer["Content-Disposition"]
    assert (
        "Choose one of the files"
        in client.post("/how-are-we-doing/files/ask/", {"kind": "gold"}, follow=True).content.decode()
    )
    assert signed_in(cast.AUDITOR).get("/how-are-we-doing/files/").status_code == 403
