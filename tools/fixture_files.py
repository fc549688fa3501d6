"""Writes the register files of fixtures/, the same bytes each time: python -m tools.fixture_files"""

import os
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
ON = date(2026, 6, 17)


def people_of_the_region() -> bytes:
    """Five hundred people of 45 to 80, two of them dead and three gone."""
    import numpy as np

    from oversight.rehearsal.population import people_drawn
    from oversight.rehearsal.register_file import Facts, register_columns, register_file_written

    rng = np.random.default_rng(500)
    people = people_drawn(rng, 500)
    people = replace(people, age=rng.integers(45, 81, 500))
    days = {n: ON - timedelta(days=400 + n) for n in (17, 204, 61, 333, 480)}
    facts = Facts(died={17: days[17], 204: days[204]}, left={n: days[n] for n in (61, 333, 480)})
    return register_file_written(register_columns(rng, people, on=ON, first_number=40_000_001, facts=facts))


def rows_with_every_fault(good: list[str]) -> list[str]:
    """One line for each reason a line is not taken, among lines that are."""
    from screening.serials import person_number_make

    number = iter(person_number_make(50_000_000 + n) for n in range(100))

    def line(**changes: str) -> str:
        fields = {
            "number": next(number), "family": "Tolvemir", "given": "Brisa", "born": "1961-04-12", "sex": "female", "one": "4 Mill Lane",
            "two": "", "town": "Quillport", "postcode": "0Q-417", "phone": "", "mail": "", "language": "en", "area": "QUI",
            "practice": "P02", "died": "", "left": "",
        } | changes  # fmt: skip
        return ",".join(fields.values())

    twice, repeated = line(), line()
    return [
        *good, line().rsplit(",", 2)[0], line(family='"Tolvemir'), line(one="4\tMill Lane"), line(number=""),
        line(number="400000019999"), twice, twice.replace("Brisa", "Bree"), repeated, repeated, line(given=""), line(family=""),
        line(postcode="0Q-417-and-more"), line(born="12/04/1961"), line(born="1961-02-30"), line(born="2031-04-12"),
        line(born="1861-04-12"), line(died="2031-01-01"), line(died="1950-01-01"), line(left="soon"), line(sex="woman"),
        line(language="english?"), line(area="XYZ"), line(practice="P99"), line(given='"Brisa, Anne"'),
    ]  # fmt: skip


def main() -> None:
    """Write the four files."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    os.environ.setdefault("ROUNDBOOK_NO_DATABASE", "1")
    import django

    django.setup()
    content = people_of_the_region()
    header, *lines = content.decode().splitlines()
    FIXTURES.mkdir(exist_ok=True)
    files = {
        "register_500.csv": content,
        "register_bad_header.csv": "\n".join([header.replace("birth_date", "born"), *lines[:5], ""]).encode(),
        "register_bad_encoding.csv": "\n".join([header, lines[0], lines[1].replace("a", "é", 1), ""]).encode(
            "latin-1"
        ),
        "register_bad_rows.csv": "\n".join([header, *rows_with_every_fault(lines[:2]), ""]).encode(),
    }
    for name, body in files.items():
        (FIXTURES / name).write_bytes(body)


if __name__ == "__main__":
    main()
