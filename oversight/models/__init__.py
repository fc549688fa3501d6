"""Tables of oversight; import from here, never from a submodule."""

from oversight.models.coverage import CoverageCell
from oversight.models.given import Export, GivenFigure, LevelSet
from oversight.models.proofs import ProofResult, ProofRun, Rehearsal
from oversight.models.rollup import (
    CELLS,
    LINES,
    ArrivedCell,
    ArrivedLine,
    Cell,
    Delta,
    ExaminedCell,
    ExaminedLine,
    Fact,
    Fold,
    InvitedCell,
    InvitedLine,
    Line,
    ReleasedCell,
    ReleasedLine,
    SourceCell,
    ValueCell,
    WaitCell,
)

__all__ = [
    "CELLS",
    "LINES",
    "ArrivedCell",
    "ArrivedLine",
    "Cell",
    "CoverageCell",
    "Delta",
    "ExaminedCell",
    "ExaminedLine",
    "Export",
    "Fact",
    "Fold",
    "GivenFigure",
    "InvitedCell",
    "InvitedLine",
    "LevelSet",
    "Line",
    "ProofResult",
    "ProofRun",
    "Rehearsal",
    "ReleasedCell",
    "ReleasedLine",
    "SourceCell",
    "ValueCell",
    "WaitCell",
]
