"""How rounds move: the only writer of rounds and of the date a person is next due."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from django.db import connection
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from screening.models import Person, Round
from screening.services.due import due_dates_refresh
from screening.services.policies import policy_on as policy_on
from screening.states import ROUND_CLOSE_REASONS
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move, make_moves
from staff.ledger.registry import ledger_of
from staff.models import User
from staff.roles import Pool

CLOSED_BELOW = """
    SELECT id, person_id FROM screening_round WHERE id = ANY(%s) AND state = 'closed' AND close_reason = 'below'
"""


def rounds_reported_below(*, by: User, rows: Sequence[tuple[int, date]]) -> int:
    """Close rounds as below; `rows` are (round id, day of the result). The next date counts from the result.

    Rounds that are not waiting for a result are left alone; returns how many were closed.
    """
    with acting(by):
        moved = make_moves(
            ledger_of(Round),
            "below",
            source="SELECT unnest(%(ids)s::bigint[]) AS id",
            params={"ids": [r for r, _d in rows]},
            values={"reason": "'below'", "rule": "'job 2.11'"},
        )
        days = dict(rows)
        with connection.cursor() as cursor:
            cursor.execute(CLOSED_BELOW, [list(days)])
            people = {person: days[pk] for pk, person in cursor.fetchall()}
        due_dates_refresh(by=by, person_ids=people, result_days=people)
    return moved


def rounds_reported_at_or_above(*, by: User, round_ids: Sequence[int], due_on: date) -> int:
    """Move rounds into follow-up; the referral owns the date from here, `due_on` is its first one.

    From result_due by `at_or_above`, from closed(below) by `raise` (R7). The person is not due while followed up.
    """
    with acting(by):
        moved = 0
        for event, states in (("at_or_above", ["result_due"]), ("raise", ["closed"])):
            if moved == len(round_ids):
                break
            moved += make_moves(
                ledger_of(Round),
                event,
                source="SELECT id FROM screening_round WHERE id = ANY(%(ids)s) AND state = ANY(%(states)s)",
                params={"ids": list(round_ids), "states": states, "due": due_on},
                values={"due_on": "%(due)s::date", "pool": f"'{Pool.COORDINATORS}'"},
            )
        people = Round.objects.filter(pk__in=round_ids).values_list("person_id", flat=True)
        due_dates_refresh(by=by, person_ids=list(people))
    return moved


def rounds_unsuitable(*, by: User, round_ids: Sequence[int], reasons: Mapping[int, str] | None = None) -> int:
    """Rounds none of whose kits can be measured wait for a replacement kit, due tomorrow at the office.

    `reasons` says of a round why, as the letter with the new kit words it. Rounds that are not waiting for a result are left alone; returns how many moved.
    """
    with acting(by) as frame:
        return make_moves(
            ledger_of(Round),
            "unsuitable",
            source="SELECT * FROM unnest(%(ids)s::bigint[], %(why)s::text[]) AS u(id, why)",
            params={
                "ids": list(round_ids),
                "why": [(reasons or {}).get(pk, "") for pk in round_ids],
                "due": frame.today + timedelta(days=1),
            },
            values={"due_on": "%(due)s::date", "pool": f"'{Pool.OFFICE}'", "reason": "w.why"},
        )


def round_result_withdrawn(*, by: User, round: Round, due_on: date, note: str = "") -> None:
    """A round whose only result was withdrawn waits for a result again; the date it had set is gone (R8)."""
    with acting(by):
        make_move(round, "withdraw", due_on=due_on, pool=Pool.LABORATORY, note=note, rule="R7")
        due_dates_refresh(by=by, person_ids=[round.person_id])


def rounds_result_withdrawn(*, by: User, round_ids: Sequence[int], due_on: date, note: str = "") -> int:
    """Rounds whose only result was withdrawn wait for a result again, unless the person is in a newer round by now.

    Returns how many moved.
    """
    with acting(by):
        moved = make_moves(
            ledger_of(Round),
            "withdraw",
            source="SELECT r.id FROM screening_round r WHERE r.id = ANY(%(ids)s)"
            " AND (r.state = 'follow_up' OR (r.state = 'closed' AND r.close_reason = 'below')) AND NOT EXISTS ("
            "SELECT 1 FROM screening_round n WHERE n.person_id = r.person_id AND n.id <> r.id AND n.state <> 'closed')",
            params={"ids": list(round_ids), "due": due_on, "note": note},
            values={
                "due_on": "%(due)s::date",
                "pool": f"'{Pool.LABORATORY}'",
                "rule": "'R7'",
                "note": "%(note)s",
            },
        )
        people = Round.objects.filter(pk__in=round_ids).values_list("person_id", flat=True)
        due_dates_refresh(by=by, person_ids=list(people))
    return moved


def round_follow_up_concluded(*, by: User, round: Round, next_due_on: date | None, note: str = "") -> None:
    """Close a round whose referral is closed; only the signed next step gives `next_due_on` (R9).

    The move carries that day as its own date, so the next date can be computed again from the ledger.
    """
    with acting(by):
        make_move(round, "conclude", due_on=next_due_on, reason="follow_up_concluded", note=note, rule="R9")
        due_dates_refresh(by=by, person_ids=[round.person_id])


def rounds_close(*, by: User, round_ids: Sequence[int], reason: str, rule: str = "") -> int:
    """Close rounds for a reason that is not a result; the rule says from what the next date counts.

    Returns how many were closed.
    """
    if reason not in ROUND_CLOSE_REASONS or reason in {"below", "follow_up_concluded"}:
        raise RoundbookError("unknown_close_reason", _("Choose a reason from the list."), reason=reason)
    if not round_ids:
        return 0
    with acting(by):
        moved = make_moves(
            ledger_of(Round),
            "close",
            source="SELECT unnest(%(ids)s::bigint[]) AS id",
            params={"ids": list(round_ids), "reason": reason, "rule": rule},
            values={"reason": "%(reason)s", "rule": "%(rule)s"},
        )
        people = Round.objects.filter(pk__in=round_ids, close_reason=reason).values_list(
            "person_id", flat=True
        )
        due_dates_refresh(by=by, person_ids=list(people))
    return moved


def rounds_close_unreturned(*, by: User, limit: int = 50_000, waiting: Q | None = None) -> int:
    """Close as `not_returned` every round whose closing day has passed (R12). Safe to run again.

    `waiting` says which rounds are left open a little longer: those whose kit may lie in unopened post.
    """
    with acting(by) as frame:
        policy = policy_on(frame.today)
        sent_before = frame.today - timedelta(days=policy.closing_days)
        replaced_before = frame.today - timedelta(days=policy.closing_days_after_replacement)
        ids = list(
            Round.objects.filter(state="kit_out", dispatched_on__lte=sent_before)
            .exclude(kits__ordinal__gt=1, kits__dispatched_on__gt=replaced_before)
            .exclude(waiting or Q(pk__in=[]))
            .order_by("pk")
            .values_list("pk", flat=True)[:limit]
        )
        return rounds_close(by=by, round_ids=ids, reason="not_returned", rule="R12") if ids else 0


def person_is_free(person: Person) -> bool:
    """Whether the person is in no open round."""
    return not Round.objects.filter(person=person).exclude(state="closed").exists()
