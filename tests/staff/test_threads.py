"""Threads that work together hand over quickly, and only while they do."""

import socket
import sys

import pytest

from staff.threads import SOON, threads_handing_over, with_room


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


def test_more_bytes_may_be_on_their_way_to_a_server_on_this_machine() -> None:
    ours, theirs = socket.socketpair(socket.AF_UNIX)
    with ours, theirs:
        before = ours.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF)
        with_room(ours)
        assert ours.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF) > before
        ours.sendall(b"still open")
        assert theirs.recv(64) == b"still open"


def test_a_way_over_the_network_stays_as_the_system_chose() -> None:
    with socket.socket(socket.AF_INET) as way:
        before = way.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF)
        with_room(way)
        assert way.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF) == before
