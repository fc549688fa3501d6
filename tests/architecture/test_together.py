"""Tests that share something dear to lay down are given to one process."""

import pytest

from tests.sharing import Together, group_of


def test_whatever_is_marked_is_in_the_group_it_names(request: pytest.FixtureRequest) -> None:
    for item in request.session.items:
        marks = {mark.args[0] for mark in item.iter_markers("xdist_group")}
        assert marks <= {group_of(item.nodeid.partition("::")[0])}, item.nodeid


def test_a_group_is_one_piece_of_work_and_any_other_test_is_one_by_itself() -> None:
    place = Together.__new__(Together)._split_scope
    alone = "tests/architecture/test_together.py::test_a"
    assert place("tests/oversight/test_mutations.py::test_a[b::c]") == "rehearsal"
    assert place("tests/oversight/test_seal.py::test_b") == "rehearsal"
    assert place(alone) == alone
