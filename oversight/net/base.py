"""What a list of the safety net is: a question in words, who is waiting, and how an entry leaves it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext_lazy as _

from staff.roles import Role

if TYPE_CHECKING:
    from django_stubs_ext import StrOrPromise

SAMPLE_SIZE = 100
"""How many entries a run keeps of a list; the counts are always whole."""


@dataclass(frozen=True, slots=True)
class NetList:
    """One list. `rows` selects thing, id, person_id, since, owner (a name or a pool; empty: nobody) and a note's code."""

    number: int
    name: str
    title: "StrOrPromise"
    question: "StrOrPromise"
    what_to_do: "StrOrPromise"
    checked: str
    rows: str
    who: Role = Role.COORDINATOR
    notes: "Mapping[str, StrOrPromise]" = field(default_factory=dict)
    params: Mapping[str, Any] = field(default_factory=dict)


QUERY = """
WITH found AS MATERIALIZED ({rows}), kept AS (
    SELECT f.*, EXISTS (SELECT 1 FROM oversight_settlement t WHERE t.name = '{name}' AND t.thing = f.thing
        AND t.thing_id = f.id AND t.until > %(today)s) AS settled FROM found f)
SELECT (SELECT count(*) FROM kept WHERE NOT settled), (SELECT count(*) FROM kept WHERE NOT settled AND owner = ''),
    (SELECT count(*) FROM kept WHERE settled), (SELECT min(since) FROM kept WHERE NOT settled),
    (SELECT coalesce(json_agg(k), '[]') FROM (SELECT thing, id, person_id, since, owner, note FROM kept WHERE NOT settled
     ORDER BY since NULLS LAST, id LIMIT {limit}) k)
"""


def net_query(one: NetList, *, limit: int = SAMPLE_SIZE) -> str:
    """The statement that counts a list and gives its oldest entries; those settled until a later day are counted apart."""
    return QUERY.format(rows=one.rows.strip(), name=one.name, limit=limit)


def person_of(record: str) -> str:
    """SQL that joins to something of a person (`record`) the record it was written on, `own`, and the one that stands for the person, `p`.

    A referral or a round stays where it was when its record is put under another; a death or a wish may stand on either.
    """
    return (
        f"JOIN screening_person own ON own.id = {record}.person_id"
        " JOIN screening_person p ON p.id = coalesce(own.merged_into_id, own.id)"
    )


OWNER = "coalesce(u.full_name, f.pool, '')"
LIVE = "SELECT count(*) FROM results_referral f WHERE f.state NOT IN ('', 'closed')"
HIGH = "SELECT count(*) FROM results_result e WHERE e.is_current AND e.side = 'at_or_above'"
SETTLE_OR = _("or settle the entry with what was found and a day to look again")
