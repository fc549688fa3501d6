"""The checks that every row, and every figure, says what the ledgers say: L1, F1."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from oversight.rollup.facts import facts_sql, same
from oversight.walls import WAITING_PEOPLE
from staff.ledger.proof import disagreeing
from staff.ledger.registry import Ledger, walls

_OF = {"round": "person s.person_id", "kit": "kit s.id", "return": "kit s.kit_id"}


def _of(ledger: Ledger) -> str:
    return f"/*of {_OF.get(ledger.machine.name, 'person s.person_id')}*/"


def _checked() -> str:
    counts = [f"(SELECT count(*) FROM {ledger.subject_table} s WHERE true {_of(ledger)})" for ledger in walls]
    return "SELECT " + " + ".join(counts)


def _offenders() -> str:
    return "\nUNION ALL\n".join(
        f"SELECT DISTINCT '{ledger.machine.name}' AS thing, s.id,"
        f" {'NULL::bigint' if ledger.machine.name in ('kit', 'return') else 's.person_id'} AS person_id,"
        " (s.state_since AT TIME ZONE %(zone)s)::date AS since, s.pool AS owner, 'differs' AS note"
        f"{disagreeing(ledger)} {_of(ledger)}"
        for ledger in walls
    )


L1 = Check(
    name="L1",
    severity=Severity.P1,
    title=_("Every state is what its history says"),
    sentence=_(
        "The state, next date and owner of every round, kit, return, sample, referral and letter follow from its ledger."
    ),
    who=_("Administrator"),
    what_to_do=_(
        "Change nothing. Call whoever runs the database: a row was altered behind the application's back."
    ),
    in_words=_("Things whose row differs from the last move of their ledger, or that have no move at all."),
    checked=_checked,
    offenders=_offenders,
    notes={"differs": _("row and ledger differ")},
)

WHOLE_UP_TO = 200_000
SLICES = 28
TONIGHT = (
    f"((SELECT count(*) FROM (SELECT 1 FROM oversight_fact LIMIT {WHOLE_UP_TO + 1}) q) <= {WHOLE_UP_TO}"
    f" OR {{person}} %% {SLICES} = extract(day FROM %(today)s::date)::int %% {SLICES})"
)
"""Whose figures are counted again tonight: everybody's, or of a large register one part in 28, so that each has its night."""

F1 = Check(
    name="F1",
    severity=Severity.P3,
    title=_("The figures are what the ledgers say"),
    sentence=_("What was last counted of every round is what its rows say when it is counted again."),
    who=_("Administrator"),
    what_to_do=_(
        "Have everything counted again (manage.py indicators --rebuild), and tell whoever keeps the program: a change was"
        " not noted."
    ),
    in_words=_(
        "Rounds counted differently from what their rows say now, but for those that are being counted; of a large register"
        " one part in 28 a night."
    ),
    checked=f"SELECT count(*) FROM oversight_fact f WHERE {TONIGHT.format(person='f.person_id')}"
    " /*of person f.person_id*/",
    offenders=(
        "SELECT 'round' AS thing, n.round_id AS id, n.person_id, n.invited_on AS since, '' AS owner, 'counted_otherwise' AS note"
        f" FROM ({facts_sql(people=TONIGHT.format(person='r.person_id') + ' /*of person r.person_id*/')}) n LEFT JOIN oversight_fact o ON o.round_id = n.round_id"
        f" WHERE (o.round_id IS NULL OR NOT ({same('n', 'o')})) AND EXISTS (SELECT 1 FROM oversight_fold)"
        f" AND n.person_id NOT IN ({WAITING_PEOPLE})"
    ),
    notes={"counted_otherwise": _("counted differently")},
)

CHECKS = (L1, F1)
