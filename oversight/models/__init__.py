"""Tables of oversight; import from here, never from a submodule."""

from oversight.models.proofs import ProofResult, ProofRun, Rehearsal

__all__ = ["ProofResult", "ProofRun", "Rehearsal"]
