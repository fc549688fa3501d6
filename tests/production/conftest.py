"""Fixtures of the production shape: those of the faults, over a region that is committed."""

from tests.faults.conftest import own_region

__all__ = ["own_region"]
