"""Which tables the incremental proof watches, and which people and kits a changed row of each concerns."""

from collections.abc import Sequence
from dataclasses import dataclass

WHOLE = frozenset({"I16", "I17", "I36"})
"""Checks that add up everything: run anew where that took a moment last time, where a table was torn, or where a row differs
from its ledger; else carried over until the next full proof."""
A_MOMENT = 5.0

MOST = 200_000
"""So many changed rows of a table, or changed people, and looking at everybody is cheaper."""

_ROWS = f"""
SELECT (array_agg(t.{{key}}) FILTER (WHERE age(t.xmin) <= %(behind)s))[1:{MOST + 1}],
    count(*) FILTER (WHERE t.{{key}} <= %(top)s), coalesce(max(t.{{key}}), 0), count(*)
FROM {{table}} t
"""
_WHOM = """
WITH c AS MATERIALIZED (SELECT * FROM {table} t WHERE t.{key} = ANY(%(keys)s))
SELECT coalesce((SELECT array_agg(DISTINCT x.person) FROM ({people}) x (person)), '{{}}'), {kits}
"""


@dataclass(frozen=True, slots=True)
class Source:
    """A watched table. `people` selects person ids from the changed rows `c`; `policy`: a change concerns everybody."""

    table: str
    people: str = ""
    kits: str = ""
    append_only: bool = False
    policy: bool = False
    key: str = "id"

    @property
    def rows_sql(self) -> str:
        """Keys of the rows written since, then the table's old rows, highest number and rows; reads every row once."""
        return _ROWS.format(key=self.key, table=self.table)

    @property
    def whom_sql(self) -> str:
        """People and kits that the rows of `keys` concern."""
        people = self.people or "SELECT NULL::bigint WHERE false"
        kits = (
            f"coalesce((SELECT array_agg(DISTINCT {self.kits}) FROM c), '{{}}')"
            if self.kits
            else "'{}'::bigint[]"
        )
        return _WHOM.format(table=self.table, key=self.key, people=people, kits=kits)


def _own(table: str, *, append_only: bool = False) -> Source:
    return Source(table, "SELECT c.person_id FROM c", append_only=append_only)


def _of_round(table: str, column: str = "round_id", *, append_only: bool = False) -> Source:
    return Source(
        table,
        f"SELECT r.person_id FROM c JOIN screening_round r ON r.id = c.{column}",
        append_only=append_only,
    )


def _of_referral(table: str, column: str = "referral_id", *, append_only: bool = False) -> Source:
    return Source(
        table,
        f"SELECT f.person_id FROM c JOIN results_referral f ON f.id = c.{column}",
        append_only=append_only,
    )


def _of_kit(column: str) -> str:
    return f"SELECT r.person_id FROM c JOIN screening_kit k ON k.id = c.{column} JOIN screening_round r ON r.id = k.round_id"


def _of_run(column: str) -> str:
    return f"SELECT e.person_id FROM c JOIN results_result e ON e.run_id = c.{column}"


_USER = "SELECT f.person_id FROM c JOIN {0} f ON f.owner_id = c.id WHERE f.owner_id IS NOT NULL AND f.state <> 'closed'"
_EXAM = "SELECT f.person_id FROM c JOIN results_examination x ON x.id = c.{0} JOIN results_referral f ON f.id = x.referral_id"

SOURCES: Sequence[Source] = (
    Source("screening_person", "SELECT c.id FROM c UNION ALL SELECT c.merged_into_id FROM c"),
    _own("screening_stop"), _own("screening_exclusion"),
    Source("screening_personmerge", "SELECT c.kept_id FROM c UNION ALL SELECT c.merged_id FROM c"),
    _own("screening_round"), _of_round("screening_roundmove", "subject_id", append_only=True),
    Source("screening_kit", "SELECT r.person_id FROM c JOIN screening_round r ON r.id = c.round_id", kits="c.id"),
    Source("screening_kitmove", _of_kit("subject_id"), kits="c.subject_id", append_only=True),
    Source("screening_return", _of_kit("kit_id"), kits="c.kit_id"),
    Source("screening_returnmove", "SELECT r.person_id FROM c JOIN screening_return b ON b.id = c.subject_id"
           " JOIN screening_kit k ON k.id = b.kit_id JOIN screening_round r ON r.id = k.round_id", append_only=True),
    _own("results_sample"),
    Source("results_samplemove", "SELECT s.person_id FROM c JOIN results_sample s ON s.id = c.subject_id", append_only=True),
    Source("results_reading", "SELECT s.person_id FROM c JOIN results_sample s ON s.id = c.sample_id", append_only=True),
    _own("results_result"), Source("results_run", _of_run("id")),
    Source("results_controlreading", _of_run("run_id"), append_only=True),
    Source("results_checkreading", _of_run("run_id"), append_only=True),
    Source("results_typedreading", "SELECT s.person_id FROM c JOIN results_sample s ON s.id = c.sample_id"),
    _of_referral("results_referralresult", append_only=True), _own("results_referral"),
    _of_referral("results_referralmove", "subject_id", append_only=True),
    _of_referral("results_contactattempt", append_only=True), _of_referral("results_closingevidence", append_only=True),
    _of_referral("results_booking"), _of_referral("results_examination", append_only=True),
    Source("results_lesionrow", _EXAM.format("examination_id"), append_only=True),
    Source("results_histology", "SELECT f.person_id FROM c JOIN results_lesionrow l ON l.id = c.lesion_id"
           " JOIN results_examination x ON x.id = l.examination_id JOIN results_referral f ON f.id = x.referral_id",
           append_only=True),
    _of_referral("results_findingcomputed", append_only=True), _of_referral("results_nextstep", append_only=True),
    _own("outreach_letter"),
    Source("outreach_lettermove", "SELECT l.person_id FROM c JOIN outreach_letter l ON l.id = c.subject_id", append_only=True),
    Source("outreach_message", "SELECT l.person_id FROM c JOIN outreach_letter l ON l.id = c.letter_id"),
    Source("screening_delivery", "SELECT r.person_id FROM c JOIN screening_return b ON b.delivery_id = c.id"
           " JOIN screening_kit k ON k.id = b.kit_id JOIN screening_round r ON r.id = k.round_id"),
    _of_referral("results_assessment", append_only=True),
    Source("results_adverseevent", _EXAM.format("examination_id"), append_only=True),
    Source("results_eventjudgement", "SELECT f.person_id FROM c JOIN results_adverseevent v ON v.id = c.event_id"
           " JOIN results_examination x ON x.id = v.examination_id JOIN results_referral f ON f.id = x.referral_id",
           append_only=True),
    Source("results_analyser", policy=True),
    Source("screening_personhistory", "SELECT c.pgh_obj_id FROM c", append_only=True, key="pgh_id"),
    Source("screening_stophistory", "SELECT c.person_id FROM c", append_only=True, key="pgh_id"),
    Source("screening_kithistory", _of_kit("pgh_obj_id"), append_only=True, key="pgh_id"),
    Source("results_bracketedreading", "SELECT e.person_id FROM c JOIN results_result e ON e.reading_id = c.reading_id",
           append_only=True, key="reading_id"),
    Source("oversight_fact", "SELECT c.person_id FROM c", key="round_id"),
    _own("screening_reasonedlook", append_only=True),
    Source("screening_lookreview", "SELECT l.person_id FROM c JOIN screening_reasonedlook l ON l.id = c.look_id", append_only=True),
    Source("staff_user", " UNION ALL ".join(_USER.format(table) for table in (
        "results_referral", "screening_round", "results_sample", "outreach_letter"))),
    Source("results_controllot", policy=True), Source("results_cutoffrule", policy=True),
    Source("screening_kitmodel", policy=True), Source("screening_lot", policy=True),
    Source("screening_protocol", policy=True), Source("screening_screeningpolicy", policy=True),
)  # fmt: skip
"""Every table a narrowed check reads; a test holds that none is missing."""
