"""Writes drawn people as a register file, with the columns of the feed. Pure."""

from dataclasses import dataclass
from datetime import date, timedelta
from io import BytesIO

import numpy as np

from oversight.rehearsal import names
from oversight.rehearsal.population import People
from oversight.rehearsal.setting import AREAS
from screening.eligibility import add_months
from screening.serials import person_number_make


@dataclass(frozen=True)
class Facts:
    """What the file says of each person beside the draw: death and departure by position."""

    died: dict[int, date]
    left: dict[int, date]


NOTHING = Facts({}, {})


def register_columns(
    rng: np.random.Generator, people: People, *, on: date, first_number: int = 1, facts: Facts = NOTHING
) -> dict[str, list[str]]:
    """The columns of the feed for these people, whose ages are those on `on`. A household shares its address."""
    n = len(people.age)
    streets, postcodes = names.streets_drawn(rng, n), names.postcodes_drawn(rng, people.area, people.fifth)
    codes, languages = list(AREAS), ("en", "ar", "")
    spoken = rng.choice(3, size=n, p=(0.93, 0.04, 0.03))
    days = rng.integers(0, 365, n)
    births = [
        add_months(on, -12 * int(a)) - timedelta(days=int(d)) for a, d in zip(people.age, days, strict=True)
    ]
    return {
        "person_number": [person_number_make(first_number + i) for i in range(n)],
        "family_name": names.family_names_drawn(rng, n),
        "given_names": names.given_names_drawn(rng, people.male),
        "birth_date": [day.isoformat() for day in births],
        "sex": ["male" if m else "female" for m in people.male],
        "address_1": [streets[h] for h in people.household],
        "address_2": [""] * n,
        "locality": names.localities(people.area),
        "postcode": [postcodes[h] for h in people.household],
        "phone": names.phones_drawn(rng, people.area),
        "email": [""] * n,
        "language": [languages[s] for s in spoken],
        "area_code": [codes[a] for a in people.area],
        "practice_code": [f"P{a + 1 + 6 * (i % 2):02d}" for i, a in enumerate(people.area)],
        "deceased_on": [facts.died[i].isoformat() if i in facts.died else "" for i in range(n)],
        "left_area_on": [facts.left[i].isoformat() if i in facts.left else "" for i in range(n)],
    }


def register_file_written(columns: dict[str, list[str]]) -> bytes:
    """The file itself: UTF-8, a header, one person on one line."""
    import polars as pl

    body = BytesIO()
    pl.DataFrame(columns).with_columns(pl.all().replace("", None)).write_csv(body)
    return body.getvalue()
