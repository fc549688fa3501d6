"""The lesions of one examination in a rehearsal, drawn to fit the finding it is to have (job 12.6). Pure."""

from collections.abc import Sequence

import numpy as np

from results.services.findings import HistologyEntry, LesionEntry

SEGMENTS = ("rectum", "sigmoid", "descending", "transverse", "ascending", "caecum")
SHARES = (0.25, 0.35, 0.10, 0.08, 0.12, 0.10)
LEAD_MEDIAN_MM, LEAD_SIGMA = 14, 0.35
HIGH_GRADE = 0.08
Drawn = Sequence[tuple[LesionEntry, HistologyEntry]]


def lesions_drawn(row: int, finding: str) -> Drawn:
    """Lesions with the histology they will get, the same for the same row; none for a finding without lesions."""
    rng = np.random.default_rng([71, row])
    if finding == "advanced_adenoma":
        size = max(10, min(60, round(float(rng.lognormal(np.log(LEAD_MEDIAN_MM), LEAD_SIGMA)))))
        grade = "high" if rng.random() < HIGH_GRADE else "low"
        lead = _lesion(rng, size, "adenoma"), HistologyEntry("tubulovillous", grade, clear_margins=True)
        return _with_small(rng, [lead], int(rng.poisson(1.2)))
    if finding == "advanced_serrated":
        lead = (
            _lesion(rng, 10 + int(rng.integers(0, 10)), "serrated"),
            HistologyEntry("sessile_serrated", clear_margins=True),
        )
        return _with_small(rng, [lead], 0)
    if finding == "non_advanced":
        return _with_small(rng, [], 1 + int(rng.poisson(0.6)))
    if finding == "cancer":
        tumour = _lesion(rng, 20 + int(rng.integers(0, 30)), "cancer", shape="mass", removal="biopsy")
        return _with_small(rng, [(tumour, HistologyEntry("carcinoma"))], int(rng.poisson(0.8)))
    return []


def _lesion(
    rng: np.random.Generator, size: int, looks: str, *, shape: str = "Is", removal: str = "en_bloc"
) -> LesionEntry:
    return LesionEntry(str(rng.choice(SEGMENTS, p=SHARES)), size, shape, looks, removal)


def _with_small(
    rng: np.random.Generator, lead: list[tuple[LesionEntry, HistologyEntry]], small: int
) -> Drawn:
    """The leading lesion with so many small low-grade adenomas, each in its pot."""
    rest = [
        (
            _lesion(rng, int(rng.integers(3, 10)), "adenoma"),
            HistologyEntry("tubular", "low", clear_margins=True),
        )
        for _n in range(small)
    ]
    return [in_pot(entry, told, pot) for pot, (entry, told) in enumerate([*lead, *rest], start=1)]


def in_pot(entry: LesionEntry, told: HistologyEntry, pot: int) -> tuple[LesionEntry, HistologyEntry]:
    """The lesion in a pot."""
    return LesionEntry(entry.segment, entry.size_mm, entry.shape, entry.looks, entry.removal, pot=pot), told
