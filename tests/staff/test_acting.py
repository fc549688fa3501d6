"""The frame of a transaction: what is remembered in it, and for how long."""

import pytest

from staff.acting import acting, remembered, remembering
from staff.models import User

pytestmark = pytest.mark.django_db


class Counting:
    """A thing that counts how often it is made."""

    def __init__(self) -> None:
        self.made = 0

    def __call__(self) -> int:
        self.made += 1
        return self.made


def test_a_thing_is_made_once_in_a_transaction_and_anew_in_the_next() -> None:
    make, by = Counting(), User.objects.system()
    for _ in range(2):
        with acting(by):
            assert remembered("policy", make) == remembered("policy", make)
            with acting(by, reason="nested"):
                remembered("policy", make)
    assert make.made == 2


def test_remembering_keeps_it_for_the_transactions_of_one_job_only() -> None:
    make, by = Counting(), User.objects.system()
    with remembering():
        for _ in range(3):
            with acting(by):
                assert remembered("policy", make) == 1
    with acting(by):
        assert remembered("policy", make) == 2


def test_outside_a_transaction_nothing_is_remembered() -> None:
    make = Counting()
    assert (remembered("policy", make), remembered("policy", make)) == (1, 2)
