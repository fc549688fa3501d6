"""Each filter of the figures, from the address: it counts those asked for on every page, or is refused in plain words."""

import csv
import io
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from pypdf import PdfReader

from oversight.figures import COHORT, NEEDED, figure_of
from oversight.filters import FILTER_WORDS, Asked
from oversight.models import Export, GivenFigure
from oversight.pages.directory import PAGES
from oversight.rollup.few import FEW
from oversight.services.examiners import ONLY
from oversight.services.export_files import outward
from oversight.services.exports import export_ask, exports_make
from oversight.services.people_asked import PERSON_COLUMNS
from results.models import Examination, Result
from screening.models import Area, Person, Practice, Round
from staff.models import Site
from tests import cast
from tests.oversight import worked

pytestmark = pytest.mark.usefixtures("region")
SignIn = Callable[[str], Client]
SENT = date(2026, 5, 4)
SPRING = {"from": "2026-04-01", "to": "2026-06-17"}
OF_PEOPLE = {"area", "sex", "age", "fifth"}


def address(slug: str) -> str:
    return "/how-are-we-doing/" if slug == "overview" else f"/how-are-we-doing/{slug}/"


def two_people() -> tuple[Result, Result]:
    """One woman at or above and examined, one man below: alike in nothing that a filter asks for."""
    practice, other = (Practice.objects.create(code=code, name=code) for code in ("PX1", "PX2"))
    her, him = worked.invited(SENT), worked.invited(SENT, sex="male", age=57, area="NOR", batch=False)
    for one, language, where, fifth in ((her, "qu", practice, 1), (him, "xh", other, 5)):
        Person.objects.filter(pk=one.person_id).update(
            language=language, practice=where, deprivation_fifth=fifth
        )
        Round.objects.filter(pk=one.pk).update(deprivation_fifth=fifth)
    high = worked.released(
        worked.came_back(her, SENT + timedelta(days=9)), SENT + timedelta(days=11), high=True
    )
    on = SENT + timedelta(days=30)
    Examination.objects.create(
        referral=high.referral_link.referral, day=on, complete=True, prep_adequate=True, finding="nothing",
        site=Site.objects.order_by("pk").first(), report_document="R1", reported_on=on, entered_by=cast.member(cast.NURSE),
    )  # fmt: skip
    below = worked.released(worked.came_back(him, SENT + timedelta(days=8)), SENT + timedelta(days=10))
    return high, below


def hers(high: Result) -> dict[str, str]:
    """The value of each filter that is hers and not his, but for those in which the two cannot differ here."""
    person = high.person
    return {
        "area": str(Area.objects.get(code="QUI").pk), "sex": "female", "age": "60", "fifth": "1", "language": "qu",
        "practice": str(person.practice_id), "route": "1", "unit": "",
    }  # fmt: skip


def shown(client: Client, slug: str, **asked: str) -> Any:
    answer = client.get(address(slug), {**SPRING, **asked})
    assert answer.status_code == 200
    assert not answer.context["problems"], answer.context["problems"]
    return answer.context["page"]


# Source: counted by hand: of the two, one is hers.
@pytest.mark.parametrize("name", ["area", "sex", "age", "fifth", "language", "practice", "route"])
def test_a_filter_of_the_address_counts_those_asked_for(signed_in: SignIn, name: str) -> None:
    high, below = two_people()
    client, value = signed_in(cast.MANAGER), hers(high)[name]
    page = shown(client, "positivity", **{name: value})
    figure = page.sections[0].total.figure
    assert (figure.numerator, figure.denominator) == (1, 1)
    sweep = next(block for block in page.blocks if block.key == "sweep")
    assert sweep.rows[3][:2] == ["20 µg/g", "1"]
    assert [row[1:3] for row in next(b for b in page.blocks if b.key == "laboratories").rows] == [["1", "1"]]
    turnaround = shown(client, "laboratory", **{name: value}).blocks[0]
    assert turnaround.rows[0][1] == "1", "her kit's days alone"
    clocks = shown(client, "follow-up", **{name: value}).blocks[0]
    assert clocks.rows
    listed = client.get(
        "/how-are-we-doing/people/", {**SPRING, name: value, "key": "positivity", "part": "counted"}
    )
    assert [row.round_id for row, _url in listed.context["rows"]] == [high.round_id]
    assert below.round_id != high.round_id


@pytest.mark.parametrize(("name", "mine"), [("history", "0"), ("band", "0"), ("lot", ""), ("laboratory", "")])
def test_filters_by_history_value_lot_and_laboratory(signed_in: SignIn, name: str, mine: str) -> None:
    high, _below = two_people()
    client = signed_in(cast.MANAGER)
    told = {"lot": str(high.round.kits.get().lot_id), "laboratory": str(high.run.analyser.site_id)}
    value = mine or told[name]
    assert shown(client, "positivity", **{name: value}).sections[0].total.figure.denominator == 2
    if name in ("history", "band"):
        assert shown(client, "positivity", **{name: "2"}).sections[0].total.figure.denominator == 0


def test_a_filter_by_unit_counts_those_examined_there(signed_in: SignIn) -> None:
    two_people()
    there, elsewhere = Site.objects.order_by("pk")[:2]
    client = signed_in(cast.MANAGER)
    page = shown(client, "harm", unit=str(there.pk))
    assert page.sections[0].total.figure.denominator == 1
    answer = client.get(address("harm"), {**SPRING, "unit": str(elsewhere.pk)})
    assert f"There is no “{elsewhere.pk}” here." in answer.content.decode()


BLOCKS = {
    ("uptake", "coverage"): OF_PEOPLE, ("follow-up", "surveillance"): OF_PEOPLE, ("cancers", "sensitivity"): FEW["cancers"].cuts,
    ("quality", "typed"): set(), ("quality", "entry"): {*PERSON_COLUMNS, "unit"}, ("quality", "reported"): set(PERSON_COLUMNS),
    ("waiting", "open"): set(PERSON_COLUMNS), ("examiners", "examiners"): set(ONLY),
}  # fmt: skip
"""Tables that are not counted from rounds, and the filters that belong to them."""


@pytest.mark.parametrize(("slug", "key"), BLOCKS)
def test_a_filter_that_does_not_belong_is_refused_in_plain_words(
    signed_in: SignIn, slug: str, key: str
) -> None:
    high, _below = two_people()
    there = Site.objects.order_by("pk").first()
    values = hers(high) | {
        "lot": str(high.round.kits.get().lot_id), "laboratory": str(high.run.analyser.site_id), "history": "0", "band": "0",
        "unit": str(there and there.pk),
    }  # fmt: skip
    client, belong = signed_in(cast.MANAGER), set()
    assert set(values) == set(FILTER_WORDS)
    for name, value in values.items():
        page = shown(client, slug, **{name: value})
        block = next(one for one in page.blocks if one.key == key)
        if str(block.empty).startswith(f"This cannot be told apart by {FILTER_WORDS[name]}."):
            assert not block.rows
        else:
            belong.add(name)
    assert belong == BLOCKS[slug, key]


def test_what_happened_is_told_by_area_and_by_no_other_filter(signed_in: SignIn) -> None:
    two_people()
    client = signed_in(cast.MANAGER)
    quiet, north = (str(Area.objects.get(code=code).pk) for code in ("QUI", "NOR"))
    happened = {one: dict(shown(client, "overview", area=one).activity) for one in (quiet, north)}
    assert [happened[one]["people examined"] for one in (quiet, north)] == ["1", "0"]
    page = client.get(address("overview"), {**SPRING, "sex": "female"})
    assert page.context["page"].counts is None
    assert "Take the other filters away to see it." in page.content.decode()


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"area": "99999"}, "Area: There is no “99999” here. Choose one of the list."),
        ({"sex": "f"}, "Sex: There is no “f” here."),
        ({"language": "q?"}, "Language: A language is written by its code"),
        ({"by": "language"}, "Cut by: There is no “language” here."),
        ({"gender": "f"}, "“gender” is no filter and was left out."),
        ({"from2": "2026-01-01"}, "The second cohort needs a first and a last day."),
        ({"from2": "2026-02-01", "to2": "2026-01-01"}, "Second cohort: The last day lies before the first."),
    ],
)
def test_an_address_that_makes_no_sense_is_told_so(
    signed_in: SignIn, asked: dict[str, str], words: str
) -> None:
    text = signed_in(cast.MANAGER).get(address("flow"), {**SPRING, **asked}).content.decode()
    assert words in text.replace("&quot;", '"')


def test_a_practice_is_named_by_its_code_where_there_are_too_many_to_choose_from(signed_in: SignIn) -> None:
    high, _below = two_people()
    Practice.objects.bulk_create(Practice(code=f"Q{n}", name=f"Q{n}") for n in range(201))
    client = signed_in(cast.MANAGER)
    for value in ("PX1", str(high.person.practice_id)):
        assert shown(client, "positivity", practice=value).sections[0].total.figure.denominator == 1
    text = client.get(address("positivity"), {**SPRING, "practice": "NONE"}).content.decode()
    assert "There is no practice “NONE”." in text


def test_every_page_says_of_whom_it_speaks(signed_in: SignIn) -> None:
    two_people()
    client = signed_in(cast.MANAGER)
    for slug in (*PAGES, "two-cohorts", "examiners", "definition/uptake_90"):
        text = client.get(address(slug), {**SPRING, "sex": "male", "fifth": "5"}).content.decode()
        assert "sex: male; deprivation fifth: 5, most deprived" in text, slug


def test_a_file_or_a_kept_figure_is_never_of_others_than_asked_for(signed_in: SignIn) -> None:
    two_people()
    client = signed_in(cast.MANAGER)
    text = client.post(
        "/how-are-we-doing/files/ask/", {**SPRING, "kind": "open", "area": "99999"}, follow=True
    ).content.decode()
    assert "There is no “99999” here." in text
    told = {**SPRING, "given_to": "Ministry", "sex": "f"}
    text = client.post("/how-are-we-doing/definition/uptake_90/give/", told, follow=True).content.decode()
    assert "There is no “f” here." in text
    assert not Export.objects.exists()
    assert not GivenFigure.objects.exists()
    told["sex"] = "female"
    text = client.post("/how-are-we-doing/definition/uptake_90/give/", told, follow=True).content.decode()
    assert "Kept: 1 of 1, given to Ministry." in text
    assert "sex: female" in client.get("/how-are-we-doing/definition/uptake_90/").content.decode()


# Source: counted by hand after the rule of section 7.1: 4 is small; its complement and one more row go with it.
def test_what_leaves_on_paper_hides_small_numbers_and_what_gives_them_away() -> None:
    rows = [figure_of(x, n, basis=COHORT) for x, n in ((4, 200), (60, 300), (50, 250))]
    told = outward(rows)
    assert told[0] == ("hidden", "hidden")
    assert sum(one == ("hidden", "hidden") for one in told) == 2
    needed = [figure_of(4, 900, basis=COHORT, unit=NEEDED), figure_of(12, 900, basis=COHORT, unit=NEEDED)]
    assert [one[0] for one in outward(needed)] == ["hidden", "12 / 900"]


def test_files_say_where_a_filter_does_not_belong(signed_in: SignIn) -> None:
    two_people()
    asked = Asked(date(2026, 4, 1), date(2026, 6, 17), only={"language": "qu"})
    for kind in ("figures", "report"):
        export_ask(by=cast.member(cast.MANAGER), kind=kind, asked=asked)
    assert exports_make() == 2
    files = {one.kind: bytes(one.content or b"") for one in Export.objects.all()}
    rows = {
        row["indicator"]: row
        for row in csv.DictReader(io.StringIO(files["figures"].decode()))
        if not row["cut_by"]
    }
    assert rows["sensitivity"]["not_told_apart_by"] == "language"
    assert rows["uptake_90"]["not_told_apart_by"] == ""
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(files["report"])).pages)
    assert "not by language" in text
    assert "language: qu" in " ".join(text.split())
