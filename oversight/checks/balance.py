"""Checks that the ledgers balance and that what was sealed is untouched: I16, I17, I36, I44."""

from django.utils.translation import gettext_lazy as _

from oversight.checks.balance_sql import UNBALANCED, ledgers_sql, lots_sql
from oversight.checks.base import Check, Severity
from oversight.seal.nightly import broken_sql, sealed_tonight_sql
from oversight.services.seal_told import seal_last, tables_of

STOP = _(
    "Change nothing. Call whoever runs the database: rows were changed, lost or put in behind the application's back."
)

I16 = Check(
    name="I16",
    severity=Severity.P1,
    title=_("Every ledger adds up"),
    sentence=_(
        "For people, rounds, kits, returns, samples, referrals and letters: those counted yesterday, plus what came, less what"
        " went, are those counted today, state by state and to the unit."
    ),
    who=_("Administrator"),
    what_to_do=STOP,
    in_words=_(
        "States in which the number of things differs from the moves into it less the moves out of it, or whose moves have"
        " become fewer since the last full proof. The note names ledger, state and difference."
    ),
    checked=lambda: f"SELECT sum(counted) FROM ({ledgers_sql()}) c",
    offenders=lambda: UNBALANCED.format(
        counts=ledgers_sql(), id="abs(b.over) + abs(least(b.came, 0)) + abs(least(b.went, 0))"
    ),
)

I17 = Check(
    name="I17",
    severity=Severity.P2,
    title=_("Every kit of every lot is accounted for"),
    sentence=_(
        "For each lot the kits in stock, assigned, out, back, undelivered and lost are all the kits that ever came in."
    ),
    who=_("Administrator"),
    what_to_do=STOP,
    in_words=_(
        "Lots in which the kits of a state differ from the moves of that lot's kits, or whose moves have become fewer since the"
        " last full proof. Moves of kits that are gone count for lot 0."
    ),
    checked=lambda: f"SELECT sum(counted) FROM ({lots_sql()}) c",
    offenders=lambda: UNBALANCED.format(counts=lots_sql(), id="split_part(b.part, ':', 1)::bigint"),
)


def _broken() -> str:
    last = seal_last()
    return broken_sql(tables_of(last) if last else ())


I36 = Check(
    name="I36",
    severity=Severity.P1,
    title=_("The seals of the nights hold"),
    sentence=_(
        "Each night's seal links to the one before, the number of sealed rows never falls, and the blocks looked at tonight"
        " give their digests again."
    ),
    who=_("Administrator"),
    what_to_do=_(
        "Run manage.py seal --verify: it names the first altered row. Change nothing before that row is copied."
    ),
    in_words=_(
        "Seals that do not link to the one before or were left out; tables with fewer rows than were sealed; and blocks whose"
        " digest is another, of the last seal all, of the older ones one part in 28 a night."
    ),
    checked=sealed_tonight_sql,
    offenders=_broken,
    notes={
        "not_linked": _("does not link to the seal before"),
        "fewer_rows": _("has lost rows"),
        "altered": _("rows of this block were altered, inserted or deleted"),
    },
)

I44 = Check(
    name="I44",
    severity=Severity.P2,
    title=_("The last backup came back whole"),
    sentence=_(
        "In the last eight days a backup was restored beside the registry, every grave check held there, and its ledgers were"
        " those of the registry at that moment."
    ),
    who=_("Administrator"),
    what_to_do=_(
        "Restore last night's backup into a scratch database and run manage.py restore_drill on it (see docs)."
    ),
    in_words=_(
        "The last restore drill when it is older than eight days, found a check that does not hold, or counted otherwise. A"
        " programme that has never held one is reminded on the page."
    ),
    checked="SELECT count(*) FROM oversight_restoredrill",
    offenders="""
SELECT 'drill' AS thing, d.id, NULL::bigint AS person_id, (d.taken_at AT TIME ZONE %(zone)s)::date AS since,
       'administrators' AS owner,
       CASE WHEN d.violated <> '[]' THEN 'violated' WHEN NOT d.ledgers_equal THEN 'counts_differ' ELSE 'old' END AS note
FROM oversight_restoredrill d
WHERE d.id = (SELECT max(id) FROM oversight_restoredrill)
  AND (d.violated <> '[]' OR NOT d.ledgers_equal OR (d.taken_at AT TIME ZONE %(zone)s)::date <= %(seven_days)s)
""",
    notes={
        "violated": _("a check did not hold in it"),
        "counts_differ": _("its ledgers counted otherwise"),
        "old": _("held more than a week ago"),
    },
)

CHECKS = (I16, I17, I36, I44)
