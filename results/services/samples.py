"""How samples come to the bench and leave it: the work that the ledger of returns asks for."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import connection
from django.utils.translation import gettext_lazy as _

from results.models import Sample
from screening.models import Round
from screening.services.rounds import rounds_unsuitable
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move, make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool, Role

USABLE_UNTIL = (
    "CASE WHEN b.collected_latest > l.expires_on THEN b.collected_earliest - 1"
    " ELSE b.collected_earliest + m.sample_age_limit_days END"
)
"""The last day on which a sample counts for either side (R2); before its collection where the kit had expired by then.

Past that day a sample is measured only where the protocol says so, and then only a result at or above counts.
"""
TAKE_TODO = """
    DELETE FROM results_sampletodo t USING (
        SELECT id FROM results_sampletodo ORDER BY id LIMIT %s FOR UPDATE SKIP LOCKED
    ) w WHERE t.id = w.id RETURNING t.return_id
"""
NEW_SAMPLES = f"""
    INSERT INTO results_sample (return_of_id, kit_id, round_id, person_id, serial, collected_earliest, usable_until)
    SELECT b.id, k.id, d.id, d.person_id, k.serial, b.collected_earliest, {USABLE_UNTIL}
    FROM unnest(%(returns)s::bigint[]) w(id) JOIN screening_return b ON b.id = w.id
    JOIN screening_kit k ON k.id = b.kit_id JOIN screening_round d ON d.id = k.round_id
    JOIN screening_lot l ON l.id = k.lot_id JOIN screening_kitmodel m ON m.id = l.kit_model_id
    WHERE b.state = 'ready' AND NOT EXISTS (SELECT 1 FROM results_sample s WHERE s.kit_id = k.id)
    ORDER BY b.id
"""
SAME_VIAL_AGAIN = f"""
    UPDATE results_sample s SET return_of_id = b.id, collected_earliest = b.collected_earliest,
           usable_until = {USABLE_UNTIL}
    FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id
    JOIN screening_lot l ON l.id = k.lot_id JOIN screening_kitmodel m ON m.id = l.kit_model_id
    WHERE b.id = ANY(%(returns)s) AND b.state = 'ready' AND s.kit_id = k.id AND s.state = 'recalled'
"""
TOLD = """
    SELECT s.id, b.state = 'ready', greatest(s.usable_until - 2, %(tomorrow)s::date)
    FROM unnest(%(returns)s::bigint[]) w(id) JOIN screening_return b ON b.id = w.id
    JOIN results_sample s ON s.return_of_id = b.id
    WHERE (b.state = 'ready' AND s.state IN ('', 'recalled'))
       OR (b.state IN ('unsuitable', 'undone') AND s.state IN ('ready', 'repeat'))
"""


def samples_take_in(*, by: User, limit: int = 50_000) -> int:
    """Bring the bench up to date with the desk; returns how many samples came to the bench or left it.

    Every return that became ready gets a sample due two days before it grows too old; a return that was undone or
    rejected takes its unmeasured sample away. What was measured meanwhile stays. Safe to run twice and at once: a row
    of work is taken and deleted in the transaction that does it.
    """
    with acting(by) as frame:
        with connection.cursor() as cursor:
            cursor.execute(TAKE_TODO, [limit])
            returns = sorted({row[0] for row in cursor.fetchall()})
            if not returns:
                return 0
            tomorrow = frame.today.fromordinal(frame.today.toordinal() + 1)
            params: dict[str, Any] = {"returns": returns, "tomorrow": tomorrow}
            cursor.execute(NEW_SAMPLES, params)
            cursor.execute(SAME_VIAL_AGAIN, params)
            cursor.execute(TOLD, params)
            told = cursor.fetchall()
        come = [(pk, due) for pk, ready, due in told if ready]
        gone = [pk for pk, ready, _due in told if not ready]
        ledger, moved = ledger_of(Sample), 0
        if come:
            moved += make_moves(
                ledger,
                "take_in",
                source="SELECT * FROM unnest(%(ids)s::bigint[], %(dues)s::date[]) AS u(id, due)",
                params={"ids": [pk for pk, _due in come], "dues": [due for _pk, due in come]},
                values={"due_on": "w.due", "pool": f"'{Pool.LABORATORY}'", "rule": "'R2'"},
            )
        if gone:
            moved += make_moves(
                ledger, "recall", source="SELECT unnest(%(ids)s::bigint[]) AS id", params={"ids": gone}
            )
    return moved


def high_counts_when_old(sample: Sample) -> bool:
    """Whether the protocol of its round has a sample past its age or expiry measured, for a result at or above."""
    rounds = Round.objects.filter(pk=sample.round_id, protocol__screening__report_high_from_unfit=True)
    return rounds.exists()


def rounds_without_usable_kit(
    *, by: User, sample_ids: Sequence[int], reasons: Mapping[int, str] | None = None
) -> int:
    """Ask for a replacement for the rounds of these samples, unless another kit of the round can still be measured
    or already has its result. `reasons` says of a sample why, as the letter with the new kit words it. Returns how many rounds wait for a kit again."""
    rounds = dict(
        Sample.objects.filter(pk__in=sample_ids)
        .exclude(
            round__samples__state__in=["ready", "in_run", "measured", "repeat", "held", "ready_to_authorise"]
        )
        .exclude(round__results__is_current=True)
        .values_list("round_id", "pk")
    )
    why = {round_id: (reasons or {}).get(sample_id, "") for round_id, sample_id in rounds.items()}
    return rounds_unsuitable(by=by, round_ids=sorted(rounds), reasons=why)


def sample_spoil(*, by: User, sample: Sample, words: str) -> Sample:
    """Take a sample off the bench as unsuitable, in somebody's words, and ask for a replacement kit."""
    require_role(by, Role.LABORATORY)
    if not words.strip():
        raise RoundbookError("words_missing", _("Say what is wrong with the sample."))
    with acting(by):
        make_move(sample, "spoil", note=words.strip())
        rounds_without_usable_kit(by=by, sample_ids=[sample.pk])
    return sample
