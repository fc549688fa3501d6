"""The marks of the write path: small triggers that note what changed, without an index, a lock or a shared cell.

A mark is a kind, an id and what happened: 40 bytes appended to a heap in the transaction that makes the change. Which
rounds it concerns is found later, by the fold. A test holds that every table the facts are made from leaves marks.
"""

from collections.abc import Mapping, Sequence

TABLE = """
CREATE TABLE IF NOT EXISTS oversight_mark (kind "char" NOT NULL, ref bigint NOT NULL, cause varchar(32) NOT NULL);
"""

MANY: Sequence[tuple[str, str, str]] = (
    (
        "screening_roundmove",
        "R",
        "SELECT subject_id, event FROM moved WHERE from_state <> to_state OR to_state = 'closed'",
    ),
    ("results_result", "E", "SELECT id, 'released' FROM moved"),
)
"""Tables that get many rows in one statement: table, kind, and what is marked of the new rows `moved`."""

ONE: Sequence[tuple[str, str, str, str, str, str]] = (
    ("screening_kitmove", "INSERT", "NEW.event = 'undelivered'", "K", "NEW.subject_id", "'undelivered'"),
    ("screening_returnmove", "INSERT", "NEW.event IN ('log', 'reject', 'undo')", "B", "NEW.subject_id", "'return_' || NEW.event"),
    ("screening_return", "UPDATE OF arrived_on, collected_earliest, collected_latest",
     "(NEW.arrived_on, NEW.collected_earliest, NEW.collected_latest)"
     " IS DISTINCT FROM (OLD.arrived_on, OLD.collected_earliest, OLD.collected_latest)", "B", "NEW.id", "'corrected'"),
    ("results_samplemove", "INSERT", "NEW.to_state IN ('unsuitable', 'not_measurable')", "S", "NEW.subject_id", "NEW.event"),
    ("results_result", "UPDATE OF is_current, is_deciding",
     "NEW.is_current <> OLD.is_current OR NEW.is_deciding <> OLD.is_deciding", "E", "NEW.id", "'result_changed'"),
    ("results_referralresult", "INSERT", "", "F", "NEW.referral_id", "'referred'"),
    ("results_referralmove", "INSERT", "NEW.from_state <> NEW.to_state", "F", "NEW.subject_id", "NEW.event"),
    ("results_contactattempt", "INSERT", "NEW.outcome = 'spoke'", "F", "NEW.referral_id", "'contact'"),
    ("results_assessment", "INSERT", "", "F", "NEW.referral_id", "'assessed'"),
    ("results_examination", "INSERT", "", "F", "NEW.referral_id", "'examined'"),
    ("results_lesionrow", "INSERT", "", "X", "NEW.examination_id", "'lesion'"),
    ("results_histology", "INSERT", "", "Y", "NEW.lesion_id", "'histology'"),
    ("results_findingcomputed", "INSERT", "", "F", "NEW.referral_id", "'finding'"),
    ("results_nextstep", "INSERT", "", "F", "NEW.referral_id", "'finding'"),
    ("results_adverseevent", "INSERT", "", "X", "NEW.examination_id", "'harm'"),
    ("results_eventjudgement", "INSERT", "", "J", "NEW.event_id", "'harm'"),
    ("screening_person", "UPDATE OF deceased_on", "NEW.deceased_on IS DISTINCT FROM OLD.deceased_on", "P", "NEW.id", "'death'"),
    ("outreach_lettermove", "INSERT", "NEW.event = 'hand_over'", "L", "NEW.subject_id", "'letter'"),
    ("screening_round",
     "UPDATE OF invited_on, sex_at_invitation, age_at_invitation, area_id, deprivation_fifth, batch_id, person_id",
     "(NEW.invited_on, NEW.sex_at_invitation, NEW.age_at_invitation, NEW.area_id, NEW.deprivation_fifth, NEW.batch_id,"
     " NEW.person_id) IS DISTINCT FROM (OLD.invited_on, OLD.sex_at_invitation, OLD.age_at_invitation, OLD.area_id,"
     " OLD.deprivation_fifth, OLD.batch_id, OLD.person_id)", "R", "NEW.id", "'corrected'"),
)  # fmt: skip
"""Tables marked row by row: table, when, condition (decided before any code runs), kind, id and cause.

The first dispatch needs none: it is made in the transaction that moves the round.
"""

RESOLVE: Mapping[str, str] = {
    "R": "SELECT id, id AS round_id FROM screening_round",
    "K": "SELECT id, round_id FROM screening_kit",
    "B": "SELECT b.id, k.round_id FROM screening_return b JOIN screening_kit k ON k.id = b.kit_id",
    "S": "SELECT id, round_id FROM results_sample",
    "E": "SELECT id, round_id FROM results_result",
    "F": "SELECT l.referral_id AS id, e.round_id FROM results_referralresult l JOIN results_result e ON e.id = l.result_id",
    "X": "SELECT x.id, e.round_id FROM results_examination x JOIN results_referralresult l ON l.referral_id = x.referral_id"
    " JOIN results_result e ON e.id = l.result_id",
    "J": "SELECT a.id, e.round_id FROM results_adverseevent a JOIN results_examination x ON x.id = a.examination_id"
    " JOIN results_referralresult l ON l.referral_id = x.referral_id JOIN results_result e ON e.id = l.result_id",
    "Y": "SELECT y.id, e.round_id FROM results_lesionrow y JOIN results_examination x ON x.id = y.examination_id"
    " JOIN results_referralresult l ON l.referral_id = x.referral_id JOIN results_result e ON e.id = l.result_id",
    "P": "SELECT person_id AS id, id AS round_id FROM screening_round",
    "L": "SELECT id, round_id FROM outreach_letter WHERE result_id IS NOT NULL",
}
"""Which rounds a mark of each kind concerns."""

WAITING_PEOPLE = (
    "SELECT t.person_id FROM screening_round t JOIN ("
    + " UNION ALL ".join(
        f"SELECT q.round_id FROM oversight_mark m JOIN ({sql}) q ON q.id = m.ref WHERE m.kind = '{kind}'"
        for kind, sql in RESOLVE.items()
    )
    + ") w ON w.round_id = t.id"
)
"""SQL of the people something waits to be counted for."""

_MANY = """
CREATE OR REPLACE FUNCTION oversight_mark_{table}() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO oversight_mark (ref, cause, kind) SELECT q.*, '{kind}' FROM ({what}) q;
    RETURN NULL;
END $$;
CREATE OR REPLACE TRIGGER mark_many AFTER INSERT ON {table} REFERENCING NEW TABLE AS moved
    FOR EACH STATEMENT EXECUTE FUNCTION oversight_mark_{table}();
"""
_ONE = """
CREATE OR REPLACE FUNCTION oversight_mark_{name}() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO oversight_mark (kind, ref, cause) VALUES ('{kind}', {ref}, {cause});
    RETURN NULL;
END $$;
CREATE OR REPLACE TRIGGER mark_{verb} AFTER {when} ON {table}
    FOR EACH ROW {condition} EXECUTE FUNCTION oversight_mark_{name}();
"""


def marks_sql() -> str:
    """The table and every trigger; safe to run again. Run by the owner after each migration."""
    parts = [TABLE]
    parts += [_MANY.format(table=table, kind=kind, what=what) for table, kind, what in MANY]
    for table, when, condition, kind, ref, cause in ONE:
        verb = when.split()[0].lower()
        parts.append(
            _ONE.format(
                table=table,
                verb=verb,
                when=when,
                kind=kind,
                ref=ref,
                cause=cause,
                name=f"{table}_{verb}",
                condition=f"WHEN ({condition})" if condition else "",
            )
        )
    return "\n".join(parts)
