"""Invented register files of any size for measuring: the same people every time, written without chance."""

from collections.abc import Iterator
from datetime import date, timedelta

from screening.serials import person_number_make

HEADER = (
    "person_number,family_name,given_names,birth_date,sex,address_1,address_2,locality,postcode,phone,email,language,"
    "area_code,practice_code,deceased_on,left_area_on"
)
FAMILY = (
    "Tolvane",
    "Merrick",
    "Oskerel",
    "Quenby",
    "Drastin",
    "Yllmar",
    "Penhollow",
    "Skarrow",
    "Vintrey",
    "Albrun",
)
GIVEN = ("Marra", "Jonas", "Tessaly", "Corvin", "Isolde", "Bram", "Wenna", "Orlo", "Petra", "Hale", "Sunniva")
STREETS = (
    "Mill Lane",
    "Harbour Row",
    "Quarry Road",
    "Chapel Hill",
    "Dune Street",
    "Orchard Way",
    "Salt Walk",
)
TOWNS = (
    ("Northmere", "NOR"), ("Quillport", "QUI"), ("Hessenby", "HES"), ("Saltrow", "SAL"), ("Upper Dunmarrow", "DUN"),
    ("Ulverdrim", "ULV"),
)  # fmt: skip
OLDEST_BIRTH = date(1952, 1, 1)
BIRTH_SPAN_DAYS = 365 * 24


def feed_line(n: int, *, moved: bool = False) -> str:
    """The line of the n-th person; `moved` gives another house number."""
    town, area = TOWNS[n % 6]
    birth = OLDEST_BIRTH + timedelta(days=n * 7919 % BIRTH_SPAN_DAYS)
    house = n % 197 + (200 if moved else 1)
    return (
        f"{person_number_make(n)},{FAMILY[n % 10]}{n % 9973},{GIVEN[n % 11]},{birth},{'female' if n % 2 else 'male'},"
        f"{house} {STREETS[n % 7]},,{town},0Q-{n % 900 + 100},01632 {n % 900000 + 100000},,,{area},P{n % 12 + 1:02d},,"
    )


def feed_file(people: int, *, first: int = 1, moved: int = 0, backwards: bool = False) -> bytes:
    """A register file of so many people; so many of each hundred have moved; `backwards` writes the last one first."""
    numbers = range(first, first + people)
    lines = [
        HEADER,
        *(feed_line(n, moved=n % 100 < moved) for n in (reversed(numbers) if backwards else numbers)),
    ]
    return ("\n".join(lines) + "\n").encode()


def feed_parts(people: int, part: int = 250_000) -> Iterator[bytes]:
    """The same people in files of bounded size."""
    for first in range(1, people + 1, part):
        yield feed_file(min(part, people + 1 - first), first=first)
