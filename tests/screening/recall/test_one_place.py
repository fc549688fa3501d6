"""Random steps over persons and rounds: never two open rounds, never in two places, never in none, nobody invited by mistake.

The expectations come from the job description of the project (2.2, 2.5, 2.11, 2.19; rulings R1, R7, R9), kept as a small
model in memory; the age band, the interval and the closing day are the protocol's own.
"""

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import seed as seeded
from hypothesis.stateful import run_state_machine_as_test

from tests.screening.recall.machine import OnePlace

pytestmark = pytest.mark.usefixtures("region")
LONG = [pytest.mark.campaign, pytest.mark.timeout(7_200)]
ALWAYS = {"free", "kit_out", "result_due", "follow_up", "below"}
IN_TIME = {"kit_due", "declined", "postponed", "died", "moved_away", "not_returned", "follow_up_concluded"}
"""Where people must have come to, so that the steps did happen: in a short run, and in a long one."""
SIZES = [
    pytest.param(1, 25, 15, id="short"),
    *(pytest.param(seed, 250, 20, id=f"long-{seed}", marks=LONG) for seed in range(11, 19)),
]


# Source: the programme's job description, invariants I14 and I15; hazards H15, H16, H25, H28.
@pytest.mark.parametrize(("seed", "runs", "steps"), SIZES)
def test_everybody_is_in_exactly_one_place_whatever_happens(seed: int, runs: int, steps: int) -> None:
    chosen = settings(
        max_examples=runs, stateful_step_count=steps, deadline=None, database=None, derandomize=False,
        suppress_health_check=list(HealthCheck), phases=[Phase.generate, Phase.shrink], print_blob=True,
    )  # fmt: skip
    OnePlace.reached.clear()
    run_state_machine_as_test(seeded(seed)(OnePlace), settings=chosen)
    assert (ALWAYS if runs < 100 else ALWAYS | IN_TIME) <= set(OnePlace.reached), OnePlace.reached
