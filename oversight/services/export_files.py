"""The files themselves: tables of figures, a workbook, an extract with its dictionary, a report, open data."""

import csv
import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import connection
from django.utils.formats import date_format
from django.utils.html import format_html, format_html_join
from django.utils.translation import gettext as _

from oversight.figures import PER_THOUSAND, PERCENT, Figure
from oversight.filters import FILTER_WORDS, Asked
from oversight.indicators import BREAKDOWNS, Indicator, indicators
from oversight.services.asked_words import asked_words
from oversight.services.extract_words import EXTRACT
from oversight.services.figures import Counted, figures
from oversight.suppression import SMALLEST, hidden
from staff.paper import pdf_made

Tell = Callable[[int], None]
OPEN_KEYS = ("uptake_90", "positivity", "examined_90")
REPORT_KEYS = (
    "invitation_coverage", "examination_coverage", "interval_kept",
    "uptake_90", "uptake_180", "uptake_90_adjusted", "again_90", "positivity", "examined_31", "examined_90", "examined_365",
    "ppv_cancer", "ppv_advanced_neoplasia", "detection_cancer", "detection_advanced_neoplasia", "needed_to_scope",
    "completion", "harm_any", "deaths_30", "unusable_people", "result_15", "histology_14", "sensitivity", "interval_rate",
    "early_found", "treated_31", "surveillance_on_time",
)  # fmt: skip


def _rows(found: Counted, by: str) -> list[dict[str, Any]]:
    rows = []
    lines = [("", "", found.total)] if not by else [(row.key, row.label, row) for row in found.rows]
    for key, label, row in lines:
        for name, figure in row.figures.items():
            rows.append(_row(indicators()[name], figure, by, key, label, found))
    return rows


def _row(one: Indicator, figure: Figure, by: str, key: str, label: str, found: Counted) -> dict[str, Any]:
    limits = figure.limits or (None, None)
    return {
        "indicator": one.key, "name": str(one.name), "from": found.asked.since, "to": found.asked.until, "cut_by": by,
        "row": key, "row_name": label, "numerator": figure.numerator, "denominator": figure.denominator,
        "value": None if figure.value is None or figure.too_few else float(figure.value), "unit": figure.unit,
        "low_95": limits[0], "high_95": limits[1], "too_few": figure.too_few, "basis": figure.basis,
        "maturity": figure.maturity.code, "passed_percent": figure.maturity.percent, "definition": one.digest,
        "data_cut": found.cut_at.isoformat(timespec="seconds"),
        "not_told_apart_by": " ".join(one.deaf_to(found.asked.only)),
    }  # fmt: skip


def _tables(asked: Asked, cut_at: datetime) -> list[dict[str, Any]]:
    found = replace(figures(asked, list(indicators()), fold=False), cut_at=cut_at)
    return _rows(found, "") + _rows(found, asked.by)


def figures_csv(asked: Asked, cut_at: datetime, tell: Tell) -> tuple[bytes, int]:
    """Every indicator in total and cut as asked, one row each."""
    import pandas as pd

    table = pd.DataFrame(_tables(asked, cut_at))
    tell(80)
    return table.to_csv(index=False).encode(), len(table)


def _definitions() -> list[dict[str, str]]:
    return [
        {
            "indicator": one.key, "name": str(one.name), "numerator": str(one.numerator),
            "denominator": str(one.denominator), "basis": one.basis, "window_days": str(one.window_days or ""),
            "complete_when": str(one.matures), "ruling": one.rule, "definition": one.digest,
        }
        for one in indicators().values()
    ]  # fmt: skip


def workbook(asked: Asked, cut_at: datetime, tell: Tell) -> tuple[bytes, int]:
    """A sheet for the totals, one for each cut, the definitions, the levels and what the file is about."""
    import pandas as pd

    out, rows = io.BytesIO(), 0
    with pd.ExcelWriter(out, engine="xlsxwriter") as writer:
        about = [
            (_("Programme"), settings.PROGRAMME_NAME), (_("From"), str(asked.since)), (_("To"), str(asked.until)),
            (_("Data as they stood at"), cut_at.isoformat(timespec="seconds")),
            (_("Filters"), "; ".join(asked_words(asked)) or _("none")),
            (_("Small numbers"), _("not hidden: for people of the programme only")),
        ]  # fmt: skip
        pd.DataFrame(about, columns=[_("What"), _("Value")]).to_excel(writer, sheet_name="About", index=False)
        for n, by in enumerate(BREAKDOWNS):
            found = replace(figures(replace(asked, by=by), list(indicators()), fold=False), cut_at=cut_at)
            if n == 0:
                pd.DataFrame(_rows(found, "")).to_excel(writer, sheet_name="Totals", index=False)
                rows += len(indicators())
            table = pd.DataFrame(_rows(found, by))
            table.to_excel(writer, sheet_name=f"By {by}", index=False)
            rows += len(table)
            tell(10 + 80 * (n + 1) // len(BREAKDOWNS))
        pd.DataFrame(_definitions()).to_excel(writer, sheet_name="Definitions", index=False)
        pd.DataFrame(_levels(found)).to_excel(writer, sheet_name="Levels", index=False)
    return out.getvalue(), rows


def _levels(found: Counted) -> list[dict[str, Any]]:
    return [
        {
            "indicator": key, "acceptable": level.acceptable, "desirable": level.desirable,
            "source": str(level.source), "read_in_document": level.confirmed,
        }
        for key, levels in found.levels.items()
        for level in levels
    ] or [{"indicator": "", "acceptable": "", "desirable": "", "source": "", "read_in_document": False}]  # fmt: skip


def extract(asked: Asked, cut_at: datetime, tell: Tell) -> tuple[bytes, int]:
    """One row a round invited in the days asked for: no person, no names, no numbers of ours; with its dictionary."""
    import polars as pl

    columns = ", ".join(f"{sql} AS {name}" for name, (sql, _kind, _words) in EXTRACT.items())
    params = {**asked.params(), "since": asked.since, "until": asked.until}
    text = io.BytesIO()
    with (
        connection.cursor() as cursor,
        cursor.copy(
            f"COPY (SELECT {columns} FROM oversight_fact f LEFT JOIN screening_area a ON a.id = f.area_id"
            " LEFT JOIN screening_lot t ON t.id = f.lot_id LEFT JOIN staff_site s ON s.id = f.laboratory_id"
            " WHERE (f.counted OR f.outside) AND f.invited_on BETWEEN %(since)s AND %(until)s"
            f"{asked.conditions(cells=False)} ORDER BY f.invited_on, md5(f.round_id::text)) TO STDOUT (FORMAT csv, HEADER)",
            params,
        ) as copy,
    ):
        for part in copy:
            text.write(part)
    tell(50)
    kinds: dict[str, Any] = {
        "text": pl.String, "number": pl.Int32, "day": pl.Date, "yes or no": pl.String,
    }  # fmt: skip
    text.seek(0)
    table = pl.read_csv(text, schema={name: kinds[kind] for name, (_sql, kind, _words) in EXTRACT.items()})
    table = table.with_columns(
        [(pl.col(name) == "t").alias(name) for name, (_s, kind, _w) in EXTRACT.items() if kind == "yes or no"]
    )
    parquet, out = io.BytesIO(), io.BytesIO()
    table.write_parquet(parquet)
    tell(80)
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("rounds.parquet", parquet.getvalue())
        file.writestr("dictionary.csv", _dictionary(cut_at))
    return out.getvalue(), table.height


def _dictionary(cut_at: datetime) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["column", "kind", "meaning"])
    for name, (_sql, kind, words) in EXTRACT.items():
        writer.writerow([name, kind, str(words)])
    writer.writerow(["", "", f"data as they stood at {cut_at.isoformat(timespec='seconds')}"])
    return out.getvalue()


def open_data(asked: Asked, cut_at: datetime, tell: Tell) -> tuple[bytes, int]:
    """Counts of a few indicators by row with small ones hidden, and enough others that none can be worked out."""
    found = figures(asked, OPEN_KEYS, fold=False)
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(
        ["indicator", asked.by, "counted", "not_counted", "out_of", "percent", "data_cut", "definition"]
    )
    rows = 0
    for n, key in enumerate(OPEN_KEYS):
        lines = [row for row in found.rows if row.figures[key].denominator]
        for label, cells in zip([row.label for row in lines], suppressed(
            [(row.figures[key].numerator, row.figures[key].denominator) for row in lines]
        ), strict=True):  # fmt: skip
            writer.writerow(
                [key, label, *cells, cut_at.isoformat(timespec="seconds"), indicators()[key].digest]
            )
            rows += 1
        tell(30 * (n + 1))
    writer.writerow(
        [f"counts from 1 to {SMALLEST - 1}, and others from which they could be worked out, are hidden"]
    )
    return out.getvalue().encode(), rows


def suppressed(counts: Sequence[tuple[int, int]]) -> list[list[str]]:
    """(counted, out of) of each row → counted, not counted, out of, per cent as text; "hidden" where it must be."""
    inside = hidden([[x, n - x] for x, n in counts]) if counts else []
    totals = hidden([[n] for _x, n in counts]) if counts else []
    answer = []
    for (x, n), (hide_x, hide_rest), (hide_n,) in zip(counts, inside, totals, strict=True):
        any_hidden = hide_x or hide_rest or hide_n
        answer.append([
            "hidden" if hide_x or hide_n else str(x), "hidden" if hide_rest or hide_n else str(n - x),
            "hidden" if hide_n else str(n), "" if any_hidden or not n else f"{100 * x / n:.1f}",
        ])  # fmt: skip
    return answer


def report(asked: Asked, cut_at: datetime, tell: Tell) -> tuple[bytes, int]:
    """The figures of a period on paper with the definitions they were counted by."""
    found = replace(figures(asked, REPORT_KEYS, fold=False), cut_at=cut_at)
    tell(30)
    html = _report_html(found)
    tell(60)
    return pdf_made(html), len(REPORT_KEYS)


def _report_html(found: Counted) -> str:
    asked, by = found.asked, BREAKDOWNS[found.asked.by]
    head = format_html(
        "<h1>{}</h1><p>{}</p><p>{}</p>", settings.PROGRAMME_NAME,
        _("Report for %(since)s to %(until)s") % {"since": date_format(asked.since), "until": date_format(asked.until)},
        _("Counted from the register as it stood on %(at)s. Filters: %(only)s. Counts from 1 to %(most)s, and others from which"
          " they could be worked out, are hidden.")
        % {"at": date_format(cut_local(found.cut_at), "j F Y, H:i"),
           "only": "; ".join(asked_words(asked)) or _("none"), "most": SMALLEST - 1},
    )  # fmt: skip
    totals = format_html(
        "<h2>{}</h2><table><thead><tr><th>{}</th><th>{}</th><th>{}</th><th>{}</th><th>{}</th></tr></thead><tbody>{}</tbody></table>",
        _("All people"), _("Indicator"), _("Counted of"), _("Figure (95 %% interval)") % {}, _("Basis"), _("Maturity"),
        format_html_join("", "<tr><th>{}</th><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>", (
            (indicators()[key].name, *_total(indicators()[key], f, asked), f.basis, f.maturity.short)
            for key, f in found.total.figures.items()
        )),
    )  # fmt: skip
    cut = [
        format_html(
            "<h2>{}</h2><table><thead><tr><th>{}</th><th>{}</th><th>{}</th></tr></thead><tbody>{}</tbody></table>",
            _("%(name)s, by %(by)s") % {"name": indicators()[key].name, "by": by}, by, _("Counted of"), _("Figure"),
            format_html_join("", "<tr><th>{}</th><td>{}</td><td>{}</td></tr>", (
                (row.label, *told) for rows in [[row for row in found.rows if row.figures[key].denominator]]
                for row, told in zip(rows, outward([row.figures[key] for row in rows]), strict=True)
            )),
        )
        for key in OPEN_KEYS
    ]  # fmt: skip
    appendix = format_html(
        "<h2>{}</h2>{}", _("Appendix: definitions"),
        format_html_join("", "<p><b>{}</b> ({}, {}). {} {} {}</p>", (
            (one.name, one.key, one.digest, one.numerator, one.denominator, one.matures)
            for one in (indicators()[key] for key in found.total.figures)
        )),
    )  # fmt: skip
    caution = format_html(
        "<p>{}</p>", _("Figures support judgement; they do not replace local protocol and licensed practice.")
    )
    return "".join([head, totals, *cut, appendix, caution])


def _total(one: Indicator, figure: Figure, asked: Asked) -> tuple[str, str]:
    """One indicator of everybody, or that a filter does not belong to it."""
    if deaf := one.deaf_to(asked.only):
        return "–", _("not by %(filters)s") % {"filters": ", ".join(str(FILTER_WORDS[name]) for name in deaf)}
    return outward([figure])[0]


def outward(figures_: Sequence[Figure]) -> list[tuple[str, str]]:
    """(counted / out of, figure with interval) of rows that are read together, with small numbers hidden as in open data.

    Shares are hidden by their table; numbers needed, means and rates, whose denominators are no wholes, by their count alone.
    """
    if all(one.unit in (PERCENT, PER_THOUSAND) for one in figures_):
        tables = suppressed([(one.numerator, one.denominator) for one in figures_])
    else:
        tables = [
            ["hidden" if 0 < one.numerator < SMALLEST else "", "", "", ""] for one in figures_
        ]  # fmt: skip
    return [
        (_("hidden"), _("hidden"))
        if "hidden" in cells
        else (f"{one.numerator:,} / {one.denominator:,}", _judged(one))
        for one, cells in zip(figures_, tables, strict=True)
    ]


def _judged(figure: Figure) -> str:
    return _("too few to judge") if figure.too_few else f"{figure.words} ({figure.interval_words})"


def cut_local(moment: datetime) -> datetime:
    """The moment in the programme's own time."""
    from staff import clock

    return moment.astimezone(clock.zone())
