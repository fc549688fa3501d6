"""The daily seal: every row altered, inserted or deleted behind the application's back is found and named."""

import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import transaction
from django.test import override_settings

from oversight.models import ProofRun, Seal, SealBlock
from oversight.services.seal import seal_night
from oversight.services.seal_verify import seals_verify
from screening.models import Round
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import User
from tests import cast
from tests.oversight.damaging import off, one, run, undone

pytestmark = [pytest.mark.timeout(600), pytest.mark.xdist_group("rehearsal")]


@contextmanager
def sealed_twice() -> Iterator[tuple[Seal, Seal]]:
    """The region sealed, then a little more work, sealed again the next day; undone at the end."""
    with undone():
        system = User.objects.system()
        first = seal_night(by=system, day=clock.today())
        with clock.at(clock.now() + timedelta(hours=20)), acting(cast.member(cast.ADMINISTRATOR)):
            for round_ in Round.objects.filter(state="kit_out").order_by("pk")[:20]:
                make_move(round_, "reschedule", due_on=clock.today() + timedelta(days=9), pool="office")
        with clock.at(clock.now() + timedelta(days=1)):
            second = seal_night(by=system, day=clock.today())
        assert first is not None
        assert second is not None
        yield first, second


def test_a_night_is_sealed_once_and_chained(as_owner_of_region: ProofRun) -> None:
    with sealed_twice() as (first, second):
        assert second.before == first.digest
        assert re.fullmatch(r"[0-9a-f]{64}", second.digest)
        assert second.rows < first.rows
        assert second.tables["screening_roundmove"]["rows"] == 20
        assert seal_night(by=User.objects.system(), day=first.day) is None
        assert list(seals_verify()) == []


def test_an_inserted_row_is_named(as_owner_of_region: ProofRun) -> None:
    copy = """INSERT INTO screening_roundmove (id, subject_id, seq, event, from_state, to_state, actor_id, occurred_at, recorded_at,
        note, reason, rule, pool) SELECT {id}, subject_id, 90, event, from_state, to_state, actor_id, occurred_at, {at}, 'forged', '',
        '', pool FROM screening_roundmove ORDER BY id LIMIT 1"""
    with sealed_twice() as (_first, second):
        off("screening_roundmove")
        top = second.tables["screening_roundmove"]["upto"]
        with undone():  # in the place of a sealed row
            pk = one("SELECT min(id) FROM screening_roundmove")
            run("DELETE FROM screening_roundmove WHERE id = %s", pk)
            run(copy.format(id=pk, at="recorded_at"))
            assert [(b.id, b.how) for b in seals_verify()] == [(pk, "altered")]
        with undone():  # below every number that was ever given
            run(copy.format(id=-5000, at="recorded_at"))
            assert [(b.id, b.how) for b in seals_verify()] == [(-5000, "inserted")]
        with undone():  # above the last sealed number, dated before the seal
            run(copy.format(id=top + 1000, at="recorded_at"))
            assert [(b.id, b.how) for b in seals_verify()] == [(top + 1000, "inserted")]


def test_a_chain_written_anew_needs_the_key(as_owner_of_region: ProofRun) -> None:
    before = settings.SECRET_KEY
    with sealed_twice() as (first, _second):
        off("oversight_seal", "oversight_sealblock")
        with undone():
            SealBlock.objects.filter(seal=first, name="screening_roundmove").delete()
            assert next(iter(seals_verify())).table == "oversight_seal"
        with undone():
            Seal.objects.filter(pk=first.pk).update(rows=1, before=hashlib.sha256(b"x").hexdigest())
            assert [b.how for b in seals_verify()] == ["altered"]
        with override_settings(SECRET_KEY="another key of the same length as the first one"):
            assert {b.how for b in seals_verify()} == {"signed with another key"}
            with override_settings(SEAL_KEYS_BEFORE=["an older one", before]):
                assert list(seals_verify()) == []


def test_the_command_names_the_first_altered_row(
    as_owner_of_region: ProofRun,
    capsys: pytest.CaptureFixture,
) -> None:
    with sealed_twice():
        call_command("seal", "--verify")
        assert "2 seals verify" in capsys.readouterr().out
        off("screening_roundmove")
        run(
            "UPDATE screening_roundmove SET note = 'forged' WHERE id IN (SELECT id FROM screening_roundmove ORDER BY id LIMIT 3)"
        )
        with pytest.raises(SystemExit) as ended, transaction.atomic():
            call_command("seal", "--verify")
        assert ended.value.code == 2
        pk = one("SELECT min(id) FROM screening_roundmove")
        assert capsys.readouterr().out.startswith(f"screening_roundmove {pk}: altered")
