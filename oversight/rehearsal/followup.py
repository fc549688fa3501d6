"""Draws the way of each person at or above the cutoff: contact, assessment, examination, findings. Pure."""

from dataclasses import dataclass

import numpy as np

from oversight.rehearsal.lesions import Drawn
from oversight.rehearsal.population import FINDINGS, finding_weights


@dataclass(frozen=True)
class Way:
    """What will happen in one referral; days are calendar days from authorisation."""

    ending: str
    attempts: int
    contact_after: int
    assess_after: int
    examine_after: int
    misses: bool
    prep_fails: bool
    incomplete: bool
    anticoagulants: bool
    finding: str
    specimens: int
    histology_after: int
    lesions: Drawn = ()


ENDINGS = ("examined", "declines", "already_examined", "elsewhere", "unfit", "not_reached")
REST = (0.05, 0.02, 0.02, 0.025, 0.02)


DICE = 40
"""Which dice decide the ways; with these the region as planned lies near the middle of its expected totals (12.7)."""


def dice_of(row: int) -> np.random.Generator:
    """One person's own dice, so that what happens to one does not depend on what is done for others before."""
    return np.random.default_rng([DICE, row])


def way_drawn(rng: np.random.Generator, *, fhb: float, band: int, male: int, fifth: int) -> Way:
    """Draw one way (job 12.6): examined with chance .90 − .02 × (fifth − 1), else one of the other endings."""
    examined = 0.90 - 0.02 * (fifth - 1)
    rest = np.array(REST) / sum(REST) * (1 - examined)
    ending = str(rng.choice(ENDINGS, p=[examined, *rest]))
    attempts = int(min(rng.geometric(0.45), 6))
    contact = int(max(0, round(rng.lognormal(np.log(3), 0.6))))
    assess = contact + int(max(1, round(rng.lognormal(np.log(7), 0.5))))
    exam = max(assess + 1, round(rng.lognormal(np.log(27), 0.5)))
    finding = str(rng.choice(FINDINGS, p=finding_weights(fhb, band, male)))
    if finding == "advanced_adenoma" and rng.random() < 0.10:
        finding = "advanced_serrated"
    removed = {"cancer": 2, "advanced_adenoma": 2, "advanced_serrated": 2, "non_advanced": 1}.get(finding, 0)
    return Way(
        ending=ending,
        attempts=attempts,
        contact_after=contact,
        assess_after=assess,
        examine_after=exam,
        misses=bool(rng.random() < 0.04),
        prep_fails=bool(rng.random() < 0.06),
        incomplete=bool(rng.random() < 0.04),
        anticoagulants=bool(rng.random() < 0.12),
        finding=finding,
        specimens=removed and removed + int(rng.poisson(0.8)),
        histology_after=int(max(2, round(rng.lognormal(np.log(9), 0.55)))),
    )
