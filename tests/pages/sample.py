"""Invented values for every component, for the page that shows them all."""

from types import SimpleNamespace as Thing
from typing import Any

from django import forms


class AttemptForm(forms.Form):
    """One field of each kind."""

    outcome = forms.ChoiceField(
        label="How did the call end?",
        choices=[("spoke", "Spoke with the person"), ("none", "No answer"), ("voicemail", "Voicemail")],
        widget=forms.RadioSelect,
    )
    call_back = forms.DateField(
        label="Call back on",
        required=False,
        help_text="Working days only; leave empty to let the ladder decide.",
    )
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea(attrs={"rows": 3}))
    site = forms.ChoiceField(label="Site", choices=[("karvel", "Karvel Bay")])
    interpreter = forms.BooleanField(label="An interpreter is needed", required=False)


UPTAKE = {
    "kind": "line",
    "unit": "%",
    "min": 50,
    "max": 70,
    "categories": ["Nov", "Dec", "Jan", "Feb", "Mar", "Apr"],
    "series": [
        {
            "name": "Women",
            "values": [62.1, 61.8, 61.2, 61.9, 60.3, 55.0],
            "unfinished": [False] * 4 + [True] * 2,
        },
        {
            "name": "Men",
            "values": [59.9, 58.4, 58.8, 59.2, 57.9, 52.0],
            "unfinished": [False] * 4 + [True] * 2,
        },
    ],
    "breaks": [{"at": "Feb", "label": "new kit model"}],
}
AGES = {
    "kind": "bar",
    "unit": "%",
    "categories": ["50–54", "55–59", "60–64", "65–69", "70–74"],
    "series": [
        {
            "name": "Women",
            "values": [3.6, 4.2, 5.1, 6.0, 7.4],
            "low": [3.0, 3.6, 4.5, 5.2, 6.4],
            "high": [4.3, 4.9, 5.8, 6.9, 8.5],
        },
        {
            "name": "Men",
            "values": [4.7, 5.4, 6.9, 8.2, 10.1],
            "low": [4.0, 4.7, 6.1, 7.3, 8.9],
            "high": [5.5, 6.2, 7.8, 9.2, 11.4],
        },
    ],
}
AREAS = {
    "kind": "interval",
    "across": True,
    "unit": "%",
    "categories": ["Karvel Bay", "Hollowmere", "Ostrand", "Pelk Islands"],
    "series": [
        {
            "name": "Past promise",
            "values": [5, 8, 4.4, 3],
            "low": [4, 6.1, 3.4, 0.9],
            "high": [6.1, 10.3, 5.6, 8.1],
        }
    ],
    "lines": [{"at": 5, "label": "programme"}],
}


def table_of(chart: dict[str, Any]) -> tuple[list[str], list[list[Any]]]:
    """The headings and rows of the table behind a chart."""
    columns = [""]
    for series in chart["series"]:
        columns += [series["name"], "95 % interval"] if "low" in series else [series["name"]]
    rows: list[list[Any]] = []
    for index, category in enumerate(chart["categories"]):
        row: list[Any] = [category]
        for series in chart["series"]:
            row.append(series["values"][index])
            if "low" in series:
                row.append(f"{series['low'][index]}–{series['high'][index]}")
        rows.append(row)
    return columns, rows


def worklist() -> list[Thing]:
    """Four people, one of each tone."""
    lines = (
        ("Oselvik, Marta", "Call back", 18, "On time", "ok", "21 May, 10:30", "34.2"),
        ("Tarn, Jonas", "Book", 42, "Past promise", "warn", "12 May", "88.0"),
        ("Quillfeather-Abendroth, Philippa", "Report", 97, "Past alarm", "stop", "1 May", ">200"),
        ("Veld, Anneke", "Decide", 3, "Not yet due", "quiet", "2 June", "45.0"),
    )
    names = ("name", "need", "days", "word", "tone", "due", "value")
    return [Thing(**dict(zip(names, line, strict=True))) for line in lines]


def story() -> list[Thing]:
    """Three events, newest first."""
    kit = "TR7K-204-118-X"
    return [
        Thing(
            when="14 May 2026, 09:14", sentence="Kit logged; collected on 12 May.", who="Pia Lund", tone="ok"
        ),
        Thing(
            when="2 May 2026",
            sentence="Reminder handed over.",
            icon="letter",
            reason="30 days without a return",
        ),
        Thing(when="2 April 2026", sentence=f"Invitation handed over with kit {kit}.", icon="letter"),
    ]


def sample(*, wrong: bool) -> dict[str, Any]:
    """Everything the component page shows; with `wrong`, its form carries errors."""
    found: dict[str, Any] = {
        "crumbs": [Thing(label="Who needs me next", url="/"), Thing(label="Components", url="")],
        "hidden": {"token": "a1"},
        "warnings": [
            Thing(tone="warn", word="Look-alike at this address"),
            Thing(tone="note", word="Speaks Arabic"),
        ],
        "steps": [
            "Line 14: birth date 31/02/1961 does not exist",
            "Line 90: person number already on line 12",
        ],
        "rows": worklist(),
        "events": story(),
        "form": AttemptForm({"call_back": "31 June"}) if wrong else AttemptForm(),
    }
    for name, chart in (("uptake", UPTAKE), ("ages", AGES), ("areas", AREAS)):
        found[name] = chart
        found[f"{name}_columns"], found[f"{name}_rows"] = table_of(chart)
    return found
