"""Makes letters owed: creates those that are missing under their unique key, with their days, and asks the stop rule."""

from collections import Counter
from collections.abc import Sequence
from datetime import date
from typing import Any

from django.db import connection

from outreach.catalogue import KINDS
from outreach.models import Letter
from outreach.services.policy import outreach_policy_on, post_calendar
from outreach.services.stopping import stops_applied
from outreach.timing import due_for
from outreach.wanted import Candidate, messages_beside
from staff.ledger.moves import make_moves
from staff.ledger.registry import ledger_of
from staff.models import User

_INSERT = """
INSERT INTO outreach_letter (kind, recipient, key, person_id, practice_id, round_id, kit_id, result_id, referral_id,
                             not_before, subject_id, site_id, channel, language, text_version, checksum)
SELECT t.*, '', '', '' FROM unnest(
    %(kind)s::text[], %(recipient)s::text[], %(key)s::text[], %(person)s::bigint[], %(practice)s::bigint[],
    %(round)s::bigint[], %(kit)s::bigint[], %(result)s::bigint[], %(referral)s::bigint[], %(not_before)s::date[],
    %(subject)s::bigint[], %(site)s::bigint[], %(channel)s::text[]) AS t
ON CONFLICT (key) DO NOTHING RETURNING id, key
"""


def letters_owe(*, today: date, wanted: Sequence[Candidate]) -> Counter[str]:
    """Create the letters that are missing, with the messages beside them, and move them to owed, due as their kind says."""
    if not wanted:
        return Counter()
    wanted = [*wanted, *messages_beside(wanted, today=today)]
    calendar = post_calendar(outreach_policy_on(today), around=today)
    due = {
        w.key: due_for(KINDS[w.kind], triggered_on=w.triggered_on, side=w.side, calendar=calendar)
        for w in wanted
    }
    columns: dict[str, Any] = {
        "kind": [w.kind for w in wanted], "recipient": [KINDS[w.kind].recipient for w in wanted],
        "key": [w.key for w in wanted], "person": [w.person_id for w in wanted],
        "practice": [w.practice_id for w in wanted], "round": [w.round_id for w in wanted],
        "kit": [w.kit_id for w in wanted], "result": [w.result_id for w in wanted],
        "referral": [w.referral_id for w in wanted], "not_before": [due[w.key].not_before for w in wanted],
        "subject": [w.subject_id for w in wanted], "site": [w.site_id for w in wanted],
        "channel": [w.channel for w in wanted],
    }  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute(_INSERT, columns)
        born = {key: pk for pk, key in cursor.fetchall()}
    new = [w for w in wanted if w.key in born]
    make_moves(
        ledger_of(Letter),
        "owe",
        source="SELECT * FROM unnest(%(ids)s::bigint[], %(due)s::date[], %(why)s::text[]) AS t(id, due, why)",
        params={
            "ids": [born[w.key] for w in new],
            "due": [due[w.key].due_on for w in new],
            "why": [w.reason for w in new],
        },
        values={"due_on": "w.due", "pool": "'office'", "reason": "w.why"},
    )
    return Counter(w.kind for w in new)


def owed_and_asked(*, by: User, today: date, wanted: Sequence[Candidate]) -> Counter[str]:
    """Make these letters owed and ask the stop rule about them at once."""
    done = letters_owe(today=today, wanted=wanted)
    if done:
        keys = [w.key for w in (*wanted, *messages_beside(wanted, today=today))]
        born = Letter.objects.filter(key__in=keys, state="owed").order_by("pk")
        _going, stopped = stops_applied(by=by, letter_ids=born.values_list("pk", flat=True), rule="planning")
        done += stopped
    return done
