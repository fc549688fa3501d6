"""Invented names, addresses and postcodes of the Tarnuvek Region, built from invented syllables. Pure."""

import numpy as np
from numpy.typing import NDArray

from oversight.rehearsal.setting import AREAS

Whole = NDArray[np.int64]

_HEADS = (
    "Tol",
    "Bren",
    "Kas",
    "Vor",
    "Quel",
    "Dal",
    "Fen",
    "Mir",
    "Ost",
    "Hal",
    "Sef",
    "Wren",
    "Tar",
    "Ul",
    "Pel",
    "Dro",
)
_MIDDLES = ("ve", "a", "i", "o", "dra", "nu", "ga", "we", "ri", "lo", "sha", "ke")
_TAILS = (
    "mir",
    "keff",
    "wirth",
    "quorl",
    "vantz",
    "stow",
    "drell",
    "navir",
    "holt",
    "berrick",
    "lund",
    "sorn",
)
_GIVEN_HEADS = (
    "Bri",
    "O",
    "Ju",
    "Tes",
    "Ya",
    "Ka",
    "Lio",
    "Em",
    "Se",
    "Wre",
    "Mar",
    "Zel",
    "Ni",
    "Pha",
    "Do",
    "Eri",
)
_GIVEN_F = ("sa", "nia", "shka", "mara", "lora", "ra", "nna", "veth", "lin", "dris")
_GIVEN_M = ("din", "vo", "drin", "rik", "sel", "frin", "mond", "tor", "ven", "gar")
_STREETS = (
    "Mill Lane",
    "Harbour Row",
    "Saltgate",
    "Weir Street",
    "Ropewalk",
    "Lantern Hill",
    "Tide Road",
    "Orchard Rise",
)
_AREA_LETTERS = "NQHSDU"
_TOO_REAL = frozenset(
    {"Maria", "Marra", "Erika", "Emma", "Nina", "Dora", "Erin", "Eric", "Erik", "Odin", "Victor", "Oliver"}
)
"""Given names that are common somewhere; drawn again as another."""


def family_names_drawn(rng: np.random.Generator, n: int) -> list[str]:
    """So many family names; about 2,300 differ."""
    heads, middles, tails = (rng.integers(0, len(part), n) for part in (_HEADS, _MIDDLES, _TAILS))
    return [_HEADS[h] + _MIDDLES[m] + _TAILS[t] for h, m, t in zip(heads, middles, tails, strict=True)]


def given_names_drawn(rng: np.random.Generator, male: Whole) -> list[str]:
    """One given name for each person; `male` holds 0 or 1."""
    heads, tails = rng.integers(0, len(_GIVEN_HEADS), len(male)), rng.integers(0, 10, len(male))
    names = [
        _GIVEN_HEADS[h] + (_GIVEN_M if m else _GIVEN_F)[t] for h, t, m in zip(heads, tails, male, strict=True)
    ]
    return [name if name not in _TOO_REAL else name + "th" for name in names]


def postcodes_drawn(rng: np.random.Generator, area: Whole, fifth: Whole) -> list[str]:
    """One postcode for each person, as 0Q-417: the area's letter, its deprivation fifth, and a number."""
    numbers = rng.integers(0, 100, len(area))
    return [f"0{_AREA_LETTERS[a]}-{f}{k:02d}" for a, f, k in zip(area, fifth, numbers, strict=True)]


def postcode_fifths() -> list[tuple[str, int]]:
    """Every postcode of the region with its deprivation fifth."""
    return [
        (f"0{a}-{fifth}{k:02d}", fifth) for a in _AREA_LETTERS for fifth in range(1, 6) for k in range(100)
    ]


def streets_drawn(rng: np.random.Generator, n: int) -> list[str]:
    """So many house numbers and streets."""
    houses, streets = rng.integers(1, 220, n), rng.integers(0, len(_STREETS), n)
    return [f"{h} {_STREETS[s]}" for h, s in zip(houses, streets, strict=True)]


def phones_drawn(rng: np.random.Generator, area: Whole) -> list[str]:
    """One telephone number for each person, out of a range kept for fiction; four in ten have none."""
    last, has = rng.integers(0, 100, len(area)), rng.random(len(area)) < 0.6
    return [f"0{a + 1}0 555-01{n:02d}" if h else "" for a, n, h in zip(area, last, has, strict=True)]


def localities(area: Whole) -> list[str]:
    """The town of each area."""
    names = [name for name, _share, _fifths in AREAS.values()]
    return [names[a] for a in area]
