"""Years of rounds laid down in the ledger's own tables: figures, sweep, files and lists against straight counting."""

import csv
import io
import re
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import openpyxl
import polars as pl
import pytest
from django.db import connection
from pypdf import PdfReader

from oversight.filters import Asked
from oversight.indicators import indicators
from oversight.measuring import straight
from oversight.measuring.bench import Bench, Measured
from oversight.measuring.dashboards import (
    COUNT_EACH,
    CUTOFFS,
    dashboard,
    dashboard_columnar,
    dashboard_pages,
    dashboard_sweep,
    years_asked,
)
from oversight.measuring.years import past_laid_down
from oversight.models import Export
from oversight.pages.directory import PAGES
from oversight.rehearsal.setting import region_lay_down
from oversight.services.cells import added_up, sources, sweep, values
from oversight.services.curves import spreads, within
from oversight.services.exports import export_ask, exports_make
from oversight.services.figures import figures
from oversight.services.lists import listed
from oversight.services.rollup import differences
from oversight.suppression import SMALLEST
from staff import clock
from tests import cast
from tests.conftest import FIRST_DAY, NOON, clone_database, drop_database, use_database

ROUNDS = 4000
pytestmark = pytest.mark.xdist_group("years")


@pytest.fixture(scope="session")
def _laid(worker_database: str, django_db_blocker: pytest.FixtureRequest) -> Iterator[str]:
    name = f"{worker_database}_years"
    clone_database(name)
    with django_db_blocker.unblock(), clock.at(NOON):
        use_database(name)
        region_lay_down(first_day=FIRST_DAY)
        past_laid_down(ROUNDS, by=cast.member(cast.ADMINISTRATOR))
        use_database(worker_database)
    yield name
    drop_database(name)


@pytest.fixture
def years(_laid: str, worker_database: str, django_db_blocker: pytest.FixtureRequest) -> Iterator[Asked]:
    """Five years of four thousand rounds; tests may ask for files, nothing else is changed."""
    with django_db_blocker.unblock():
        use_database(_laid)
        yield years_asked()
        use_database(worker_database)


def test_cells_are_what_the_ledger_says(years: Asked) -> None:
    assert differences() == []


@pytest.mark.parametrize("by", ["month", "sex", "age", "area"])
def test_every_cut_agrees_with_straight_aggregation(years: Asked, by: str) -> None:
    found = figures(replace(years, by=by), ["uptake_90", "uptake_180_adjusted", "positivity", "examined_90"])
    counted = {
        (row.label if by == "area" else row.key): {
            k: (f.numerator, f.denominator) for k, f in row.figures.items()
        }
        for row in found.rows
    }
    invited = straight.uptake(since=years.since, until=years.until)
    released = straight.positivity(since=years.since, until=years.until)
    for (cut, key), one in invited.items():
        if cut == by:
            assert counted[key]["uptake_90"] == (one["in_90"], one["invited"])
            assert counted[key]["uptake_180_adjusted"] == (one["in_180"], one["invited"] - one["lost_180"])
    for (cut, key), one in released.items():
        if cut == by:
            assert counted[key]["positivity"] == (one["high"], one["usable"])
            assert counted[key]["examined_90"] == (one["examined"], one["high"])


def test_the_sweep_is_two_hundred_counts(years: Asked) -> None:
    with connection.cursor() as cursor:
        cursor.execute(COUNT_EACH)
        counted = list(cursor.fetchone())
    assert [n for _c, n, *_rest in sweep(values(years), list(CUTOFFS))] == counted
    assert counted == sorted(counted, reverse=True)


@pytest.mark.parametrize("work", [dashboard, dashboard_pages, dashboard_sweep, dashboard_columnar])
def test_measurements_of_the_figures_work_at_a_small_size(
    years: Asked, work: Callable[[Bench], Measured]
) -> None:
    found = work(Bench(work.__name__, "limit", ROUNDS))
    assert found.items > 0
    assert found.ratio is not None
    assert found.ratio > 0


@pytest.mark.parametrize("slug", list(PAGES))
@pytest.mark.parametrize("by", ["month", "fifth"])
def test_every_page_is_built_from_the_roll_ups(years: Asked, slug: str, by: str) -> None:
    shown = PAGES[slug][1](replace(years, by=by))
    assert shown.sentences or shown.sections or shown.blocks
    for section in shown.sections:
        assert section.lines or not section.total.figure.denominator
        assert sum(line.figure.denominator for line in section.lines) == section.total.figure.denominator


def test_the_list_behind_a_figure_has_as_many_as_it_says(years: Asked) -> None:
    found = figures(years, ["uptake_90_adjusted", "examined_90"]).total.figures
    for key, figure in found.items():
        counted, rest = listed(years, key=key, part="counted"), listed(years, key=key, part="not_counted")
        assert counted is not None
        assert rest is not None
        assert (counted.total, counted.total + rest.total) == (figure.numerator, figure.denominator)
    assert listed(years, key="completion", part="counted") is None
    assert listed(years, key="no such figure", part="counted") is None


def file_of(kind: str, asked: Asked) -> Export:
    one = export_ask(by=cast.member(cast.MANAGER), kind=kind, asked=asked)
    assert exports_make() == 1
    one.refresh_from_db()
    assert (one.status, one.progress, one.problem) == ("done", 100, "")
    return one


def test_file_of_figures(years: Asked) -> None:
    one = file_of("figures", replace(years, by="age"))
    rows = list(csv.DictReader(io.StringIO(bytes(one.content or b"").decode())))
    found = figures(replace(years, by="age"), list(indicators()))
    totals = {row["indicator"]: row for row in rows if not row["cut_by"]}
    assert {key: (int(r["numerator"]), int(r["denominator"])) for key, r in totals.items()} == {
        key: (f.numerator, f.denominator) for key, f in found.total.figures.items()
    }
    assert {r["definition"] for r in rows} == {i.digest for i in indicators().values()}
    assert len(rows) == one.rows


def test_workbook_has_definitions_and_every_cut(years: Asked) -> None:
    book = openpyxl.load_workbook(io.BytesIO(bytes(file_of("workbook", years).content or b"")))
    assert {"About", "Totals", "By month", "By age", "By history", "Definitions", "Levels"} <= set(
        book.sheetnames
    )
    assert book["Definitions"].max_row == len(indicators()) + 1


def test_extract_has_no_person_and_explains_every_column(years: Asked) -> None:
    one = file_of("extract", years)
    with zipfile.ZipFile(io.BytesIO(bytes(one.content or b""))) as file:
        table = pl.read_parquet(io.BytesIO(file.read("rounds.parquet")))
        words = list(csv.DictReader(io.StringIO(file.read("dictionary.csv").decode())))
    assert table.height == one.rows == ROUNDS
    assert [row["column"] for row in words[:-1]] == table.columns
    assert all(row["meaning"] for row in words)
    assert not {"person_id", "round_id", "referral_id"} & set(table.columns)
    uptake = figures(years, ["uptake_90"]).total.figures["uptake_90"]
    cohort = table.filter(pl.col("in_cohort"))
    took = cohort.filter(
        ((pl.col("arrived_on") - pl.col("start_on")).dt.total_days() <= 90)
        & ((pl.col("usable_on") - pl.col("start_on")).dt.total_days() <= 120)
    )
    assert (took.height, cohort.height) == (uptake.numerator, uptake.denominator)


def test_report_on_paper_carries_counts_cut_and_definitions(years: Asked) -> None:
    one = file_of("report", replace(years, by="area"))
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(bytes(one.content or b""))).pages)
    figure = figures(years, ["uptake_90"]).total.figures["uptake_90"]
    assert f"{figure.numerator:,} / {figure.denominator:,}" in text
    assert "Appendix: definitions" in text
    assert indicators()["uptake_90"].digest in text
    assert "Counted from the register as it stood on" in text
    assert "Counts from 1 to 9, and others from which they could be worked out, are hidden." in " ".join(
        text.split()
    )
    counts = [
        (int(x.replace(",", "")), int(n.replace(",", "")))
        for x, n in re.findall(r"([0-9,]+) / ([0-9,]+)", text)
    ]
    pages = [(n + 1, counts[-1][1]) for n in range(counts[-1][1])]  # "1 / 5" at the foot of each page
    assert [(x, n) for x, n in counts if 0 < x < SMALLEST and (x, n) not in pages] == []
    assert len(counts) > len(pages)


def test_open_data_hides_small_numbers(years: Asked) -> None:
    one = file_of("open", replace(years, by="month"))
    rows = list(csv.reader(io.StringIO(bytes(one.content or b"").decode())))
    body = [row for row in rows[1:] if len(row) > 3]
    assert any("hidden" in row for row in body)
    shown = [int(cell) for row in body for cell in row[2:5] if cell != "hidden"]
    assert all(n == 0 or n >= 10 for n in shown)
    assert all(row[5] == "" for row in body if "hidden" in row)


def test_a_file_that_fails_says_so_and_keeps_nobody_waiting(
    years: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = export_ask(
        by=cast.member(cast.MANAGER), kind="figures", asked=replace(years, only={"area": "x"})
    )
    fine = export_ask(by=cast.member(cast.MANAGER), kind="open", asked=years)
    assert exports_make() == 1
    broken.refresh_from_db()
    fine.refresh_from_db()
    assert (broken.status, fine.status) == ("failed", "done")
    assert broken.problem
    assert exports_make() == 0


def test_a_file_a_killed_worker_left_is_made_again(years: Asked) -> None:
    one = export_ask(by=cast.member(cast.MANAGER), kind="open", asked=years)
    Export.objects.filter(pk=one.pk).update(status="running", progress=40)
    assert exports_make() == 1
    one.refresh_from_db()
    assert one.status == "done"


def test_roll_ups_of_values_lots_and_days_agree_with_the_facts(years: Asked) -> None:
    """Every sex and every fifth counted from the facts adds up to what the roll-ups say of everybody in whole months."""
    whole = replace(years, since=date(2021, 2, 1), until=date(2026, 5, 31))
    by_sex = [replace(whole, only={"sex": sex, "route": "1"}) for sex in ("female", "male")]
    reads: tuple[tuple[Callable[[Asked], Sequence[tuple[Any, ...]]], int], ...] = (
        (values, 1), (sources, 3), (lambda asked: added_up(sources(asked), 0, 2), 2), (lambda asked: added_up(sources(asked), 2), 1),
    )  # fmt: skip
    for read, key in reads:
        added: dict[tuple[object, ...], list[int]] = {}
        for asked in by_sex:
            for row in read(asked):
                have = added.setdefault(tuple(row[:key]), [0] * (len(row) - key))
                added[tuple(row[:key])] = [a + int(b) for a, b in zip(have, row[key:], strict=True)]
        assert added == {tuple(row[:key]): [int(n) for n in row[key:]] for row in read(whole)}
    clocks = ["back", "result", "exam", "start"]
    straight = spreads(whole, clocks)
    parts = [spreads(asked, clocks) for asked in by_sex]
    for name in clocks:
        assert sum(n for _d, n in straight[name]) == sum(n for part in parts for _d, n in part[name])
        if name != "start":
            assert within(straight[name], 7) == sum(within(part[name], 7) for part in parts)
