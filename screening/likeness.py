"""How likely two records are one person: agreement field by field, weighed after Fellegi and Sunter (1969); pure.

A field that agrees, nearly agrees or differs adds log2(m / u): m is how often that happens among records of one person, u
among records of two. The shares were set for registers of this kind (from memory of published ranges; no source) and only
order a list that a person reads: nothing is ever merged by the machine. Spelling is compared with rapidfuzz (Jaro-Winkler).
"""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import log2

from rapidfuzz.distance import JaroWinkler


class Level(StrEnum):
    """How a field of two records compares."""

    SAME = "same"
    NEAR = "near"
    OTHER = "other"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Record:
    """What is compared of one record; names as their keys, without case and accents."""

    family_name: str
    given_names: str
    birth_date: date | None = None
    sex: str = "unknown"
    address: str = ""
    postcode: str = ""
    phone: str = ""


@dataclass(frozen=True, slots=True)
class Likeness:
    """The weight in bits, and each field's level."""

    weight: float
    levels: dict[str, Level]


SHARES: dict[str, dict[Level, tuple[float, float]]] = {
    "family_name": {Level.SAME: (0.90, 0.004), Level.NEAR: (0.07, 0.01), Level.OTHER: (0.03, 0.986)},
    "given_names": {Level.SAME: (0.88, 0.02), Level.NEAR: (0.08, 0.03), Level.OTHER: (0.04, 0.95)},
    "birth_date": {Level.SAME: (0.93, 0.00007), Level.NEAR: (0.05, 0.003), Level.OTHER: (0.02, 0.99693)},
    "sex": {Level.SAME: (0.99, 0.5), Level.OTHER: (0.01, 0.5)},
    "address": {Level.SAME: (0.68, 0.0005), Level.NEAR: (0.02, 0.0095), Level.OTHER: (0.30, 0.99)},
    "phone": {Level.SAME: (0.50, 0.0002), Level.OTHER: (0.50, 0.9998)},
}
"""Field → level → (m, u); each field's m and u add up to one."""

LISTED_FROM = 18.0
"""Pairs of at least this weight are shown to a person."""

NEAR_NAME = 0.90


def likeness(one: Record, other: Record) -> Likeness:
    """Compare two records; symmetric, and the same for the same facts. A field unknown on one side says nothing."""
    levels = {
        "family_name": _names(one.family_name, other.family_name),
        "given_names": _names(one.given_names, other.given_names),
        "birth_date": _births(one.birth_date, other.birth_date),
        "sex": _plain(one.sex.replace("unknown", ""), other.sex.replace("unknown", "")),
        "address": _addresses(one, other),
        "phone": _plain(_digits(one.phone), _digits(other.phone)),
    }
    weight = sum(
        log2(m / u) for f, level in levels.items() if level in SHARES[f] for m, u in [SHARES[f][level]]
    )
    return Likeness(round(weight, 2), levels)


def _names(a: str, b: str) -> Level:
    if not a or not b:
        return Level.UNKNOWN
    if a == b:
        return Level.SAME
    first, second = sorted((a, b), key=len)
    if second.startswith(f"{first} ") or second.endswith(f" {first}"):
        return Level.NEAR
    return Level.NEAR if JaroWinkler.similarity(a, b) >= NEAR_NAME else Level.OTHER


def _births(a: date | None, b: date | None) -> Level:
    if a is None or b is None:
        return Level.UNKNOWN
    if a == b:
        return Level.SAME
    swapped = (a.year, a.month, a.day) == (b.year, b.day, b.month)
    digits = sum(x != y for x, y in zip(a.isoformat(), b.isoformat(), strict=True))
    return Level.NEAR if swapped or digits == 1 else Level.OTHER


def _plain(a: str, b: str) -> Level:
    if not a or not b:
        return Level.UNKNOWN
    return Level.SAME if a == b else Level.OTHER


def _addresses(one: Record, other: Record) -> Level:
    if not one.address or not other.address:
        return Level.UNKNOWN
    a, b = (" ".join(f"{r.address} {r.postcode}".casefold().split()) for r in (one, other))
    if a == b:
        return Level.SAME
    same_place = one.postcode == other.postcode and one.postcode != ""
    return Level.NEAR if same_place and JaroWinkler.similarity(a, b) >= NEAR_NAME else Level.OTHER


def _digits(phone: str) -> str:
    return "".join(c for c in phone if c.isdigit())
