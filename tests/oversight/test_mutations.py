"""Mutation tests: each check fires when a region that holds is damaged in the one way it guards against, and no other does.

All share one played region; every damage is undone by rolling back. The invariants are those of the project's own job
description, section 3g (I1 to I44).
"""

import random
import re
from contextlib import suppress

import pytest
from django.db import DatabaseError, transaction

from oversight.checks import CHECKS, narrowed
from oversight.models import ProofRun
from oversight.services.changed import prove_changed
from oversight.services.changed_sql import SOURCES, WHOLE
from oversight.services.proofs import prove
from staff.models import User
from tests.oversight.damages import DAMAGES
from tests.oversight.damaging import Damage, undone

pytestmark = [pytest.mark.timeout(600), pytest.mark.xdist_group("rehearsal")]


def fired(run: ProofRun) -> dict[str, int]:
    return {result.check_name: result.violating for result in run.results.all() if result.violating}


def test_the_region_holds(as_owner_of_region: ProofRun) -> None:
    assert fired(as_owner_of_region) == {}
    assert {result.check_name for result in as_owner_of_region.results.all()} == set(CHECKS)


@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: damage.name)
def test_a_damage_fires_its_check_and_no_other(as_owner_of_region: ProofRun, damage: Damage) -> None:
    with undone():
        damage.do()
        changed, run = prove_changed(by=User.objects.system()), prove(by=User.objects.system())
        assert changed.kind == ProofRun.Kind.CHANGED
        assert fired(changed) == fired(run)
        assert set(fired(run)) == {damage.check} | damage.besides, {
            result.check_name: result.offenders[:2] for result in run.results.all() if result.violating
        }
        for result in run.results.filter(violating__gt=0):
            assert set(result.offenders[0]) == {"thing", "id", "person_id", "since", "owner", "note"}


@pytest.mark.parametrize("seed", range(6))
def test_both_proofs_agree_under_random_damage(as_owner_of_region: ProofRun, seed: int) -> None:
    dice = random.Random(seed)  # noqa: S311 - which damages, not a secret
    with undone():
        for _round in range(2):
            for damage in dice.sample([one for one in DAMAGES if one.check not in WHOLE], 4):
                with suppress(AssertionError, DatabaseError), transaction.atomic():
                    damage.do()
            changed, run = prove_changed(by=User.objects.system()), prove(by=User.objects.system())
            assert fired(changed) == fired(run)
            assert fired(run)


def test_the_incremental_proof_watches_every_table_it_reads() -> None:
    watched = {source.table for source in SOURCES} | {"screening_screeningpolicy", "staff_user"}
    for check in CHECKS.values():
        statement = check.offenders_sql
        if check.can_narrow and check.name not in WHOLE:
            assert narrowed(statement) != statement
            read = set(
                re.findall(r"(?:FROM|JOIN) ((?:screening|results|outreach|staff|oversight)_\w+)", statement)
            )
            assert read <= watched | WRITTEN_WITH_OTHERS, (check.name, read - watched)


WRITTEN_WITH_OTHERS = {"oversight_mark", "oversight_fold", "staff_ledgerstate"}
"""The work list of the figures: what waits there is left out of F1 in both proofs."""


def test_every_check_has_its_damage() -> None:
    assert {damage.check for damage in DAMAGES} == set(CHECKS)
