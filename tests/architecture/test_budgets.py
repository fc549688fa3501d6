"""Size budgets and house rules, counted by machine so that they are moved in review and not ignored."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
APPS = ("staff", "screening", "results", "outreach", "oversight")
CODE = ("config", *APPS, "tools")


def _files(*folders: str) -> list[Path]:
    return [
        path
        for folder in folders
        for path in sorted((ROOT / folder).rglob("*.py"))
        if "migrations" not in path.parts and "vendor" not in path.parts
    ]


def _ids(path: Path) -> str:
    return str(path.relative_to(ROOT))


ALL_CODE = _files(*CODE)
ALL_TESTS = _files("tests")


def _functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


@pytest.mark.parametrize("path", ALL_CODE, ids=_ids)
def test_file_and_functions_are_short_enough(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= 400
    long = [
        f"{f.name} ({f.end_lineno - f.lineno + 1} lines)"
        for f in _functions(path)
        if f.end_lineno - f.lineno >= 60
    ]
    assert long == []


@pytest.mark.parametrize("path", ALL_TESTS, ids=_ids)
def test_test_file_is_short_enough(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= 600


@pytest.mark.parametrize("path", [p for p in ALL_CODE if p.stat().st_size], ids=_ids)
def test_module_says_what_lives_there(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text())), "a module opens with one sentence"


TIME = re.compile(
    r"\b(timezone\.now|date\.today|datetime\.now|datetime\.today|datetime\.utcnow|localdate|localtime)\(|\bnow\(\)\s*(AT|-|::|,|\))|CURRENT_(DATE|TIMESTAMP)"
)


@pytest.mark.parametrize("path", _files(*APPS), ids=_ids)
def test_only_the_clock_reads_the_time(path: Path) -> None:
    text = path.read_text().replace("clock.now()", "").replace("roundbook_now()", "")
    if path == ROOT / "staff" / "clock.py":
        return
    assert TIME.search(text) is None


def test_weasyprint_is_imported_for_letters_and_for_desk_papers_only_and_lazily() -> None:
    users = [p for p in ALL_CODE if re.search(r"^\s*(import|from) weasyprint", p.read_text(), re.M)]
    letters = [ROOT / "outreach" / "letters" / f"{name}.py" for name in ("pages", "stamping", "typeset")]
    assert users == [ROOT / "staff" / "paper.py", *letters]
    assert [p for p in users if re.search(r"^(import|from) weasyprint", p.read_text(), re.M)] == []


def test_heavy_libraries_are_not_imported_when_the_web_starts() -> None:
    heavy = re.compile(r"^(import|from) (pandas|polars|duckdb|scipy|statsmodels)\b", re.M)
    assert [p for p in _files(*APPS) if heavy.search(p.read_text())] == []


def test_tasks_live_in_tasks_modules() -> None:
    users = [p for p in _files(*APPS) if "shared_task" in p.read_text()]
    assert {p.name for p in users} <= {"tasks.py"}


def test_views_do_not_write_and_do_not_fetch_people_by_themselves() -> None:
    guilty = []
    for path in _files(*APPS):
        if "views" not in path.parts:
            continue
        text = path.read_text()
        if re.search(r"\.save\(|\.bulk_create\(|objects\.create\(|make_moves?\(", text):
            guilty.append(f"{_ids(path)} writes")
        if re.search(r"\bPerson\.objects\b", text):
            guilty.append(f"{_ids(path)} fetches a person without the access door")
    assert guilty == []


@pytest.mark.parametrize("path", sorted((ROOT / "templates").rglob("*.html")), ids=_ids)
def test_template_has_no_inline_script_or_style(path: Path) -> None:
    text = path.read_text()
    if "letters" in path.parts:
        return
    assert (
        re.search(r"\sstyle=|<style|\son[a-z]+=|<script(?![^>]*(src=|type=\"application/json\"))", text)
        is None
    )


def test_nothing_is_fetched_from_another_host() -> None:
    pattern = re.compile(r"""(src|href)=["']?(https?:)?//""")
    assert [str(p) for p in (ROOT / "templates").rglob("*.html") if pattern.search(p.read_text())] == []


def test_every_page_text_is_marked_for_translation() -> None:
    plain = re.compile(r">\s*[A-Z][a-z]+ [a-z]+[^<>{}]*<")
    guilty = []
    for path in (ROOT / "templates").rglob("*.html"):
        if "letters" in path.parts or path.name in {"500.html", "styleguide.html"}:
            continue
        body = re.sub(
            r"{%\s*(blocktranslate|blocktrans).*?{%\s*end(blocktranslate|blocktrans)\s*%}",
            "",
            path.read_text(),
            flags=re.S,
        )
        body = re.sub(r"{#.*?#}|{%\s*comment.*?endcomment\s*%}|<!--.*?-->", "", body, flags=re.S)
        if plain.search(body):
            guilty.append(f"{_ids(path)}: {plain.search(body).group(0)[:60]!r}")
    assert guilty == []
