"""What the look promises: contrast in both modes, one set of dark values, icons that exist, no inline code."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CSS = ROOT / "config" / "static" / "css"
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
TOKEN = re.compile(r"--([\w-]+):\s*(#[0-9a-f]{6});")
TONES = ("ok", "note", "warn", "stop", "quiet")


def blocks() -> list[dict[str, str]]:
    """The colour tokens of each rule of tokens.css, in order: light, dark by device, dark by choice."""
    text = (CSS / "tokens.css").read_text(encoding="utf-8")
    found = [dict(TOKEN.findall(body)) for body in re.findall(r"\{([^{}]*)\}", text)]
    return [block for block in found if block]


LIGHT, DARK_BY_DEVICE, DARK_BY_CHOICE = blocks()


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


TEXT_PAIRS = [
    *(
        (ink, ground)
        for ink in ("ink", "ink-2", "accent", "accent-strong")
        for ground in ("desk", "paper", "paper-2")
    ),
    ("on-accent", "accent"),
    ("on-accent", "accent-strong"),
    ("ink", "accent-wash"),
    ("accent", "accent-wash"),
    ("stop", "paper"),
    ("stop", "paper-2"),
    *((tone, f"{tone}-wash") for tone in TONES),
    *(("ink", f"{tone}-wash") for tone in TONES),
]
SHAPE_PAIRS = [
    *(("line", ground) for ground in ("paper", "paper-2", "desk")),
    *((f"chart-{n}", "paper") for n in range(1, 7)),
]
MODES = {"light": LIGHT, "dark": DARK_BY_CHOICE}


# Source: W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.3 (text 4.5:1).
@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize(("ink", "ground"), TEXT_PAIRS)
def test_text_can_be_read(mode: str, ink: str, ground: str) -> None:
    assert contrast(MODES[mode][ink], MODES[mode][ground]) >= 4.5


# Source: W3C, Web Content Accessibility Guidelines 2.2, success criterion 1.4.11 (shapes 3:1).
@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize(("shape", "ground"), SHAPE_PAIRS)
def test_lines_of_fields_and_charts_can_be_seen(mode: str, shape: str, ground: str) -> None:
    assert contrast(MODES[mode][shape], MODES[mode][ground]) >= 3


def test_dark_is_the_same_by_device_and_by_choice() -> None:
    assert DARK_BY_DEVICE == DARK_BY_CHOICE
    assert set(LIGHT) == set(DARK_BY_CHOICE)


def test_no_colour_is_written_outside_the_tokens() -> None:
    outside = [path.name for path in CSS.glob("*.css") if path.name not in {"tokens.css", "print.css"}]
    stray = {
        name: found
        for name in outside
        if (found := set(re.findall(r"#[0-9a-f]{3,8}\b", (CSS / name).read_text(encoding="utf-8"))))
        - {"#ffffff", "#000000"}
    }
    assert not stray


@pytest.mark.parametrize("path", sorted(CSS.glob("*.css")), ids=lambda path: path.name)
def test_a_style_sheet_stays_readable(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_page_carries_no_inline_code(path: Path) -> None:
    text = re.sub(r"{% comment %}.*?{% endcomment %}", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert not re.search(r"<style\b|\sstyle=|\son[a-z]+=|javascript:|\shx-on", text)
    for tag in re.findall(r"<script\b[^>]*>", text):
        assert "src=" in tag or "application/json" in tag


def test_every_icon_named_in_a_page_is_drawn() -> None:
    drawn = set(
        re.findall(r'<symbol id="(\w+)"', (ROOT / "config/static/img/icons.svg").read_text(encoding="utf-8"))
    )
    used = {
        name
        for path in TEMPLATES
        for name in re.findall(r'_icon\.html" with name="(\w+)"', path.read_text(encoding="utf-8"))
    }
    assert used <= drawn
    assert set(TONES) <= drawn


def test_every_component_says_what_it_takes() -> None:
    parts = (ROOT / "templates" / "components").glob("*.html")
    silent = [path.name for path in parts if "{% comment %}" not in path.read_text(encoding="utf-8")[:200]]
    assert not silent
