"""Figures told by others: kept for whole months, never two for the same month, taken back with a reason, and counted."""

from collections.abc import Callable, Iterator
from datetime import date

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from oversight.filters import Asked
from oversight.models import ToldFigure
from oversight.pages.parts import sentence_of
from oversight.pages.service import service
from oversight.services.figures import figures
from oversight.services.given import figure_give, reconcile
from oversight.services.told import Kind, figure_take_back, figure_tell, standing
from staff import clock
from staff.errors import NotAllowed, RoundbookError
from tests import cast

pytestmark = pytest.mark.usefixtures("region")
TODAY = date(2026, 6, 17)
SPRING = Asked(date(2026, 3, 1), date(2026, 5, 31))


@pytest.fixture(autouse=True)
def in_june() -> Iterator[None]:
    with clock.at(clock.moment(TODAY, 12)):
        yield


def told(
    kind: int = Kind.CALLS, since: date = date(2026, 4, 1), until: date | None = None, **other: object
) -> ToldFigure:
    """A figure told for a month; calls unless another kind is named."""
    counts: dict[str, object] = {"counted": 40, "out_of": 50 if kind in ToldFigure.OF_OTHERS else None}
    facts = {"source": "exchange", **counts, **other}
    return figure_tell(by=cast.member(cast.MANAGER), kind=kind, since=since, until=until or since, **facts)  # type: ignore[arg-type]


def test_any_day_of_a_month_stands_for_the_whole_month() -> None:
    one = told(since=date(2026, 2, 14), until=date(2026, 3, 3))
    assert (one.since, one.until) == (date(2026, 2, 1), date(2026, 3, 31))
    assert not one.is_one_month
    assert told(since=date(2026, 4, 1)).is_one_month


@pytest.mark.parametrize(
    ("facts", "code"),
    [
        ({"since": date(2026, 6, 1)}, "month_not_over"),
        ({"since": date(2026, 5, 1), "until": date(2026, 4, 1)}, "months_backwards"),
        ({"since": date(2020, 1, 1), "until": date(2024, 1, 1)}, "months_too_many"),
        ({"out_of": None}, "out_of_missing"),
        ({"out_of": 0, "counted": 0}, "out_of_missing"),
        ({"out_of": 39}, "counted_more"),
        ({"kind": Kind.COST, "out_of": 3}, "out_of_needless"),
        ({"kind": Kind.COST, "counted": 2_000_000_001}, "told_too_large"),
        ({"source": "  "}, "told_by_nobody"),
    ],
)
def test_what_cannot_be_right_is_refused_with_what_to_do(facts: dict[str, object], code: str) -> None:
    with pytest.raises(RoundbookError) as refused:
        told(**facts)  # type: ignore[arg-type]
    assert refused.value.code == code
    assert not ToldFigure.objects.exists()


def test_a_month_is_told_once_and_anew_after_it_was_taken_back() -> None:
    first = told(since=date(2026, 1, 1), until=date(2026, 3, 1))
    told(Kind.COMPLAINTS, date(2026, 2, 1), counted=2)
    with pytest.raises(RoundbookError, match="January 2026 – March 2026"):
        told(since=date(2026, 3, 1), until=date(2026, 4, 1))
    with pytest.raises(RoundbookError, match="Write why"):
        figure_take_back(by=cast.member(cast.ADMINISTRATOR), told=first, why=" ")
    figure_take_back(by=cast.member(cast.ADMINISTRATOR), told=first, why="Another exchange was in it.")
    again = told(since=date(2026, 3, 1), until=date(2026, 4, 1), counted=7)
    assert [one.kind for one in standing()] == [Kind.COMPLAINTS, Kind.CALLS]
    assert standing()[1].pk == again.pk
    kept = ToldFigure.objects.get(pk=first.pk)
    assert (kept.counted, kept.ended_why) == (40, "Another exchange was in it.")
    late = figure_take_back(by=cast.member(cast.MANAGER), told=first, why="Twice.")
    assert late.ended_why == "Another exchange was in it."


def test_only_who_may_tells_and_takes_back() -> None:
    one = told()
    nurse = cast.member(cast.NURSE)
    with pytest.raises(NotAllowed):
        figure_tell(by=nurse, kind=Kind.COST, since=date(2026, 4, 1), until=date(2026, 4, 1), counted=1, out_of=None, source="x")  # fmt: skip
    with pytest.raises(NotAllowed):
        figure_take_back(by=nurse, told=one, why="Because.")


@pytest.mark.parametrize(
    ("wrong", "wall"),
    [
        ({"since": date(2026, 4, 2)}, "told_for_whole_months"),
        ({"until": date(2026, 4, 29)}, "told_for_whole_months"),
        ({"until": date(2026, 3, 31)}, "told_for_whole_months"),
        ({"out_of": None}, "told_out_of_what"),
        ({"counted": 51}, "told_out_of_what"),
        ({"kind": Kind.COST}, "told_out_of_what"),
        ({"kind": Kind.COST, "out_of": None, "counted": 2_000_000_001}, "told_within_reason"),
        ({"source": ""}, "told_figure_says_by_whom"),
        ({"ended_why": "so"}, "taken_back_with_a_reason"),
        ({}, "no_month_is_told_twice"),
    ],
)
def test_the_database_refuses_nonsense(wrong: dict[str, object], wall: str) -> None:
    stands = told(since=date(2026, 4, 1))
    facts: dict[str, object] = {
        "kind": Kind.CALLS, "since": date(2026, 4, 1), "until": date(2026, 4, 30), "counted": 40, "out_of": 50,
        "source": "exchange", "told_at": clock.now(), "told_by": stands.told_by,
    }  # fmt: skip
    if wall != "no_month_is_told_twice":
        figure_take_back(by=stands.told_by, told=stands, why="Room for the next.")
    with pytest.raises(IntegrityError, match=wall), transaction.atomic():
        ToldFigure.objects.create(**facts | wrong)


def test_what_was_told_is_never_changed_or_deleted() -> None:
    told()
    for change in (lambda: ToldFigure.objects.update(counted=1), lambda: ToldFigure.objects.all().delete()):
        with pytest.raises(Exception, match="permission denied"), transaction.atomic():
            change()


def test_figures_are_of_the_months_told_and_no_others() -> None:
    told(since=date(2026, 3, 1), counted=30, out_of=50)
    told(since=date(2026, 5, 1), counted=45, out_of=50)
    told(since=date(2026, 1, 1), until=date(2026, 2, 1), counted=1, out_of=999)
    counted = figures(SPRING, ["calls_answered", "pathology_forms"])
    whole = counted.total.figures["calls_answered"]
    assert (whole.numerator, whole.denominator, whole.words) == (75, 100, "75.0 %")
    months = {row.key: row.figures["calls_answered"].numerator for row in counted.rows}
    assert months == {"2026-03-01": 30, "2026-05-01": 45}
    assert counted.total.figures["pathology_forms"].value is None


def test_several_months_at_once_stand_in_the_total_only() -> None:
    told(Kind.CANCERS, date(2026, 3, 1), date(2026, 5, 1), counted=25, out_of=40_000)
    counted = figures(SPRING, ["incidence"])
    figure = counted.total.figures["incidence"]
    assert (figure.words, counted.rows) == ("62.5 per 100,000 person-years", [])
    # Source: exact Poisson limits of 25 events are 16.18 and 36.90 (Garwood 1936, as tabulated).
    assert figure.limits == pytest.approx((16.18 / 0.4, 36.90 / 0.4), abs=0.05)


def test_a_filter_that_does_not_belong_to_it_is_said_and_counts_nobody() -> None:
    told()
    filtered = Asked(SPRING.since, SPRING.until, only={"sex": "female"})
    shown = service(filtered)
    assert "cannot be told apart by sex" in shown.sentences[0].words
    assert all("sex" in str(row[3]) for row in shown.blocks[0].rows)
    assert shown.blocks[1].refusal
    by_area = figures(Asked(SPRING.since, SPRING.until, "area"), ["calls_answered"])
    assert by_area.total.figures["calls_answered"].denominator == 50
    assert by_area.rows == []


def test_sentences_say_what_was_told() -> None:
    told(counted=880, out_of=1000)
    told(Kind.CANCERS, date(2026, 3, 1), date(2026, 5, 1), counted=25, out_of=40_000)
    shown = service(SPRING)
    assert shown.sentences[0].words == (
        "Of 1,000 telephone calls told for months from 1 March 2026 to 31 May 2026, 88.0 % were answered within two minutes."
    )
    rows = {str(row[0]): list(row) for row in shown.blocks[1].rows}
    assert rows["New bowel cancers of all residents"][1:4] == ["March 2026 – May 2026", "25", "40,000"]
    figure = figures(SPRING, ["incidence"])
    words = sentence_of(figure, "incidence").words
    assert words.endswith("31 May 2026, new bowel cancers: 62.5 per 100,000 person-years.")


def test_a_figure_given_differs_by_what_was_told_since() -> None:
    told()
    kept = figure_give(by=cast.member(cast.MANAGER), to="the ministry", key="calls_answered", asked=SPRING)
    told(since=date(2026, 5, 1), counted=10, out_of=20)
    (cause,) = reconcile(kept).differences
    assert (cause.numerator, cause.denominator) == (10, 20)
    assert "told or taken back" in str(cause.words)


def test_the_page_keeps_shows_and_takes_back(signed_in: Callable[[str], Client]) -> None:
    client = signed_in(cast.MANAGER)
    page = reverse("oversight:told")
    assert b"Nothing was told yet" in client.get(page).content
    empty = client.get(reverse("oversight:figures", args=["service"])).content
    assert (empty.count(b"Nothing to count"), b"0 of 0" in empty) == (2, False)
    facts = {"kind": Kind.CALLS, "since": "2026-04", "until": "2026-05", "counted": "1200", "out_of": "1500", "source": "Exchange list"}  # fmt: skip
    wrong = client.post(page, facts | {"out_of": ""})
    assert wrong.status_code == 422
    assert b"All calls, given up or not" in wrong.content
    assert b'value="1200"' in wrong.content
    kept = client.post(page, facts, follow=True)
    assert b"April 2026 \xe2\x80\x93 May 2026" in kept.content
    assert b"1,200" in kept.content
    one = ToldFigure.objects.get()
    back = client.post(
        reverse("oversight:told-take-back", args=[one.pk]), {"why": "Typed twice."}, follow=True
    )
    assert b"Taken back, latest first" in back.content
    assert b"Typed twice." in back.content
    client = signed_in(cast.COORDINATOR)
    assert b"Keep it" not in client.get(page).content
    assert client.post(page, facts).status_code == 403
