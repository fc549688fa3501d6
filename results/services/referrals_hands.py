"""Many referrals into other hands at once: sharing out, levelling, and what an absent owner held.

Each of these locks the referrals it means in the order of their ids, looks again at who holds them, and moves those in
one INSERT…SELECT; so it is safe beside single claims, beside itself, and to run twice.
"""

from collections.abc import Sequence
from datetime import date

from django.db.models import Case, IntegerField, Q, Value, When
from django.utils.translation import gettext_lazy as _

from results.models import Referral
from results.referral_hands import FOLLOWERS, NEAREST_LAST, here_on, loads, shared_out
from results.referral_queue import open_referrals
from staff import clock
from staff.access import require_role
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import Posting, User
from staff.roles import Role

AT_MOST = 2000

_LAST_RULE = (
    "(SELECT m.rule FROM results_referralmove m WHERE m.subject_id = s.id ORDER BY m.seq DESC LIMIT 1)"
)
_OWN_POOL = (
    f"CASE WHEN s.state = 'to_classify' OR {_LAST_RULE} IN ('declines', 'missed_again') THEN 'clinicians'"
    " ELSE 'coordinators' END"
)


def hands_locked(condition: Q) -> list[int]:
    """Lock the open referrals of this condition in id order; whoever waited for another looks at them again."""
    rows = open_referrals().filter(condition).order_by("pk").select_for_update(no_key=True, of=("self",))
    return list(rows.values_list("pk", flat=True))


def hands_pass(ids: Sequence[int], owners: Sequence[int | None], *, note: str) -> int:
    """Move locked referrals, each to its new owner (None: to the pool its state calls for); state and date stay.

    Returns how many moved. The caller holds the locks and the frame of `acting`.
    """
    if not ids:
        return 0
    return make_moves(
        ledger_of(Referral), "claim",
        source="SELECT * FROM unnest(%(ids)s::bigint[], %(owners)s::bigint[]) AS x (id, owner)",
        params={"ids": list(ids), "owners": list(owners), "note": str(note)},
        values={
            "due_on": "s.due_on", "due_time": "s.due_time", "owner_id": "w.owner", "note": "%(note)s",
            "pool": f"CASE WHEN w.owner IS NULL THEN {_OWN_POOL} ELSE '' END", "rule": f"coalesce({_LAST_RULE}, '')",
        },
    )  # fmt: skip


def follower_here(user: User) -> None:
    """Refuse to hand anything to somebody who may not hold it or is away today."""
    if not here_on(clock.today()).filter(pk=user.pk).exists():
        raise RoundbookError(
            "not_here",
            _("%(who)s is away, or may not hold referrals. Choose a coordinator or a clinician who is here.")
            % {"who": user.full_name},
        )


def referrals_level(*, by: User, holder: User, to: User, count: int) -> int:
    """Move so many of the least-far referrals from one colleague to another; returns how many moved."""
    require_role(by, *FOLLOWERS)
    if holder.pk == to.pk:
        raise RoundbookError("same_hands", _("Choose two different people."))
    if not 0 < count <= AT_MOST:
        raise RoundbookError(
            "count_out_of_reach", _("Choose a number from 1 to %(n)s.") % {"n": AT_MOST}, limit=AT_MOST
        )
    with acting(by):
        follower_here(to)
        stage = Case(
            *(When(state=state, then=Value(n)) for n, state in enumerate(NEAREST_LAST)),
            output_field=IntegerField(),
        )
        meant = open_referrals().filter(owner=holder).order_by(stage, "-opened_on", "-pk")
        ids = hands_locked(Q(owner=holder, pk__in=list(meant.values_list("pk", flat=True)[:count])))
        words = _("Shared out anew, from %(who)s.") % {"who": holder.full_name}
        return hands_pass(ids, [to.pk] * len(ids), note=str(words))


def referrals_assign_area(*, by: User, area: str, to: User | None = None) -> int:
    """Give what nobody holds in an area to a colleague, or (nobody named) to all who are here, evenly; returns how many.

    `area`: its code; empty for people without an area. Only the coordinators' pool: what waits for a clinician stays.
    """
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        where = Q(person__area__code=area) if area else Q(person__area__isnull=True)
        if to is not None:
            follower_here(to)
        ids = hands_locked(Q(owner__isnull=True, pool="coordinators") & where)
        owners = [to.pk] * len(ids) if to else _shared(ids, frame.today, without=None)
        return hands_pass(ids, owners, note=str(_("Shared out by area.")))


def referrals_take_over(*, by: User, absent: User, to: User | None = None, spread: bool = False) -> int:
    """Everything an absent owner holds: to a colleague, spread over all who are here, or to everybody's pool.

    Refused while the owner is at work: then the owner hands over, or a colleague levels. Returns how many moved.
    """
    require_role(by, *FOLLOWERS)
    with acting(by) as frame:
        if here_on(frame.today).filter(pk=absent.pk).exists():
            raise RoundbookError(
                "owner_is_here",
                _("%(who)s is here today. Note the absence first, or ask for a hand-over.")
                % {"who": absent.full_name},
            )
        if to is not None:
            follower_here(to)
        ids = hands_locked(Q(owner=absent))
        owners: Sequence[int | None] = [to.pk if to else None] * len(ids)
        if spread:
            owners = _shared(ids, frame.today, without=absent)
        return hands_pass(ids, owners, note=str(_("Taken over from %(who)s.") % {"who": absent.full_name}))


def _shared(ids: Sequence[int], today: date, *, without: User | None) -> list[int]:
    """Owners for these among the coordinators who are here."""
    held = loads(today)
    coordinators = set(Posting.objects.filter(role=Role.COORDINATOR).values_list("user_id", flat=True)) - (
        {without.pk} if without else set()
    )
    among = [one.user.pk for one in held if not one.away and one.user.pk in coordinators]
    if not among:
        raise RoundbookError(
            "nobody_here", _("No coordinator is here today. Put them into the pool instead.")
        )
    return shared_out(ids, among, {one.user.pk: one.n for one in held})
