"""Tables of oversight; import from here, never from a submodule."""

from oversight.models.given import Export, GivenFigure, LevelSet
from oversight.models.proofs import ProofResult, ProofRun, Rehearsal
from oversight.models.rollup import (
    CELLS,
    ArrivedCell,
    Cell,
    Delta,
    ExaminedCell,
    Fact,
    Fold,
    InvitedCell,
    ReleasedCell,
    SourceCell,
    ValueCell,
    WaitCell,
)

__all__ = [
    "CELLS",
    "ArrivedCell",
    "Cell",
    "Delta",
    "ExaminedCell",
    "Export",
    "Fact",
    "Fold",
    "GivenFigure",
    "InvitedCell",
    "LevelSet",
    "ProofResult",
    "ProofRun",
    "Rehearsal",
    "ReleasedCell",
    "SourceCell",
    "ValueCell",
    "WaitCell",
]
