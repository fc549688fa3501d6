"""The check that every row says what its ledger says: L1."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.base import Check, Severity
from staff.ledger.proof import disagreeing
from staff.ledger.registry import walls


def _checked() -> str:
    counts = [f"(SELECT count(*) FROM {ledger.subject_table})" for ledger in walls]
    return "SELECT " + " + ".join(counts)


def _offenders() -> str:
    return "\nUNION ALL\n".join(
        f"SELECT '{ledger.machine.name}' AS thing, s.id, NULL::bigint AS person_id,"
        " (s.state_since AT TIME ZONE %(zone)s)::date AS since, s.pool AS owner, 'differs' AS note"
        f"{disagreeing(ledger)}"
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

CHECKS = (L1,)
