"""Threads that work together hand over quickly, and only while they do."""

import sys

import pytest

from staff.threads import SOON, threads_handing_over


def test_threads_hand_over_quickly_inside_the_block_and_as_before_after_it() -> None:
    before = sys.getswitchinterval()
    with threads_handing_over():
        assert sys.getswitchinterval() == pytest.approx(SOON)
    assert sys.getswitchinterval() == pytest.approx(before)


def _broken() -> None:
    with threads_handing_over():
        raise RuntimeError("broken")


def test_what_breaks_inside_leaves_it_as_before() -> None:
    before = sys.getswitchinterval()
    with pytest.raises(RuntimeError, match="broken"):
        _broken()
    assert sys.getswitchinterval() == pytest.approx(before)
