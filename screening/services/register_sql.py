"""The SQL with which a staged register file is compared with the people and applied, set by set."""

from screening.models.people import PersonIdentifier
from screening.services.register_lines import COLUMNS

TEXTS = (
    "family_name", "given_names", "name_key", "sex", "address_1", "address_2", "locality", "postcode", "phone", "email",
    "language",
)  # fmt: skip


def _unless_corrected(column: str, feed: str, said: str) -> str:
    """The feed's value, unless somebody corrected the fact by hand and the feed still says what it said then."""
    return f"CASE WHEN c.kept ->> '{column}' = {said} THEN p.{column} ELSE {feed} END"


_PLAIN = {c: _unless_corrected(c, f"s.{c}", f"s.{c}") for c in TEXTS if c != "name_key"}
_SAME_NAMES = " AND ".join(f"({_PLAIN[c]}) = p.{c}" for c in ("family_name", "given_names"))

# What each column of a person becomes. A death is never taken back by a feed (two people do that), and an unknown
# practice leaves the practice as it is.
NEW_VALUES: dict[str, str] = {
    **_PLAIN,
    "name_key": f"CASE WHEN c.kept IS NOT NULL AND {_SAME_NAMES} THEN p.name_key ELSE s.name_key END",
    "birth_date": _unless_corrected("birth_date", "s.birth_date", "coalesce(s.birth_date::text, '')"),
    "area_id": "a.id",
    "practice_id": "CASE WHEN s.practice_code = '' OR pr.id IS NOT NULL THEN pr.id ELSE p.practice_id END",
    "deprivation_fifth": "CASE WHEN c.kept ->> 'postcode' = s.postcode THEN p.deprivation_fifth ELSE f.fifth END",
    "deceased_on": _unless_corrected(
        "deceased_on", "coalesce(s.deceased_on, p.deceased_on)", "s.deceased_on::text"
    ),
    "left_area_on": "s.left_area_on",
}
SHOWN = tuple(column for column in NEW_VALUES if column not in {"name_key", "deprivation_fifth"})
"""The columns a reader is told about; the others follow from them."""

STAGED_TABLE_COLUMNS = ("load_id", "line", *COLUMNS, "name_key")
"""With the columns of a register file as they stand there, so that a line may be handed over as it came."""
_STAGED_TEXTS = ", ".join(c for c in STAGED_TABLE_COLUMNS if not c.endswith(("_on", "_date")))

COPY_STAGED = (
    f"COPY screening_stagedperson ({', '.join(STAGED_TABLE_COLUMNS)}) FROM STDIN"
    f" (FORMAT csv, FORCE_NOT_NULL ({_STAGED_TEXTS}))"
)
COPY_REFUSED = "COPY screening_refusedline (load_id, line, code, sentence, raw) FROM STDIN"

_KEPT = """LEFT JOIN (SELECT person_id, jsonb_object_agg(field, feed_value) AS kept FROM screening_fieldcorrection
           WHERE ended_on IS NULL GROUP BY person_id) c ON c.person_id = p.id"""
_KEPT_OF_FEW = """LEFT JOIN LATERAL (SELECT jsonb_object_agg(x.field, x.feed_value) AS kept FROM screening_fieldcorrection x
           WHERE x.person_id = p.id AND x.ended_on IS NULL) c ON true"""


def of_few(statement: str) -> str:
    """The same statement for a few lines among many people: corrections are looked up person by person."""
    return statement.replace(_KEPT, _KEPT_OF_FEW)


JOINED = f"""
FROM screening_stagedperson s
LEFT JOIN screening_personidentifier i
    ON i.scheme = '{PersonIdentifier.REGISTER}' AND i.value = s.person_number AND i.valid_to IS NULL
LEFT JOIN screening_person p ON p.id = i.person_id
LEFT JOIN screening_area a ON a.code = s.area_code
LEFT JOIN screening_practice pr ON pr.code = s.practice_code
LEFT JOIN screening_postcodefifth f ON f.postcode = s.postcode
{_KEPT}
WHERE s.load_id = %(load)s
"""
_OF_LINES = [c for c in STAGED_TABLE_COLUMNS if c != "load_id"]
_OF_PEOPLE = ["id", *NEW_VALUES]
TOGETHER = f"""
CREATE TEMP TABLE register_joined AS
SELECT {", ".join(f"s.{c} AS s_{c}" for c in _OF_LINES)}, {", ".join(f"p.{c} AS p_{c}" for c in _OF_PEOPLE)},
    a.id AS a_id, pr.id AS pr_id, f.fifth AS f_fifth, c.kept AS c_kept
{JOINED}
"""
"""Keeps a load's lines with their people as they are, for the statements that apply it; few lines only."""
SEPARATE = "DROP TABLE register_joined"
_JOINED_BEFORE = f"""
FROM register_joined j
CROSS JOIN LATERAL (SELECT {", ".join(f"j.s_{c} AS {c}" for c in _OF_LINES)}) s
CROSS JOIN LATERAL (SELECT {", ".join(f"j.p_{c} AS {c}" for c in _OF_PEOPLE)}) p
CROSS JOIN LATERAL (SELECT j.a_id AS id) a
CROSS JOIN LATERAL (SELECT j.pr_id AS id) pr
CROSS JOIN LATERAL (SELECT j.f_fifth AS fifth) f
CROSS JOIN LATERAL (SELECT j.c_kept AS kept) c
WHERE true
"""


def of_joined(statement: str) -> str:
    """The same statement over lines and people that `TOGETHER` has joined."""
    return statement.replace(JOINED, _JOINED_BEFORE)


DIFFERS = "(" + " OR ".join(f"p.{c} IS DISTINCT FROM {value}" for c, value in NEW_VALUES.items()) + ")"


def _emptied(column: str) -> str:
    empty = "''" if column in TEXTS else "NULL"
    stood = f"p.{column} IS NOT NULL" if empty == "NULL" else f"p.{column} <> ''"
    gone = f"({NEW_VALUES[column]}) IS NULL" if empty == "NULL" else f"{NEW_VALUES[column]} = ''"
    return f"count(*) FILTER (WHERE {stood} AND {gone}) AS emptied_{column}, count(*) FILTER (WHERE {stood}) AS filled_{column}"


CAN_BE_EMPTIED = tuple(
    c for c in SHOWN if c not in {"family_name", "given_names", "sex", "deceased_on", "left_area_on"}
)

COUNTS = f"""
SELECT count(*) AS lines, count(*) FILTER (WHERE p.id IS NULL) AS created,
    count(*) FILTER (WHERE p.id IS NOT NULL AND {DIFFERS}) AS changed,
    count(*) FILTER (WHERE p.id IS NOT NULL AND NOT {DIFFERS}) AS unchanged,
    count(*) FILTER (WHERE s.deceased_on IS NOT NULL AND p.deceased_on IS NULL AND p.id IS NOT NULL) AS deaths,
    count(*) FILTER (WHERE s.left_area_on IS NOT NULL AND p.left_area_on IS NULL AND p.id IS NOT NULL) AS leavers,
    count(*) FILTER (WHERE s.practice_code <> '' AND pr.id IS NULL) AS unknown_practices, count(c.kept) AS corrected,
    {", ".join(f"count(*) FILTER (WHERE p.id IS NOT NULL AND p.{c} IS DISTINCT FROM {NEW_VALUES[c]}) AS field_{c}" for c in SHOWN)},
    {", ".join(_emptied(c) for c in CAN_BE_EMPTIED)}
{JOINED}
"""

SAMPLE = f"""
SELECT p.id, s.line, s.person_number, {", ".join(f"p.{c}::text, ({NEW_VALUES[c]})::text" for c in SHOWN)}
{JOINED} AND p.id IS NOT NULL AND {DIFFERS} ORDER BY s.line LIMIT %(limit)s
"""

STRANGE_PRACTICES = """
SELECT count(*) FROM screening_stagedperson s LEFT JOIN screening_practice pr ON pr.code = s.practice_code
WHERE s.load_id = %(load)s AND s.practice_code <> '' AND pr.id IS NULL
"""
"""Lines with an unknown practice."""

WITH_NOBODY = """
FROM screening_stagedperson s
LEFT JOIN screening_area a ON a.code = s.area_code
LEFT JOIN screening_practice pr ON pr.code = s.practice_code
LEFT JOIN screening_postcodefifth f ON f.postcode = s.postcode
CROSS JOIN (SELECT (NULL::screening_person).*) p
CROSS JOIN (SELECT NULL::jsonb AS kept) c
"""
"""The lines as `JOINED` gives them where nobody is known yet."""

_CURRENT = f"i.scheme = '{PersonIdentifier.REGISTER}' AND i.valid_to IS NULL"
KNOWN = f"""
SELECT (SELECT count(*) FROM screening_personidentifier i WHERE {_CURRENT})
    - (SELECT count(*) FROM screening_person p JOIN screening_personidentifier i ON i.person_id = p.id AND {_CURRENT}
       WHERE p.merged_into_id IS NOT NULL)
"""
"""How many people the register knows: numbers in use, but for those of records that were put under another."""

ON_THE_BOOKS = f"""
SELECT i.value FROM screening_personidentifier i JOIN screening_person p ON p.id = i.person_id
WHERE i.scheme = '{PersonIdentifier.REGISTER}' AND i.valid_to IS NULL AND p.merged_into_id IS NULL
AND p.deceased_on IS NULL AND p.left_area_on IS NULL
"""
MISSING = f"""
SELECT count(*) FROM ({ON_THE_BOOKS}) i WHERE NOT EXISTS (SELECT 1 FROM screening_stagedperson s WHERE s.load_id = %(load)s AND s.person_number = i.value)
"""

NEW_FACTS = """
SELECT DISTINCT birth_date, deceased_on, left_area_on, address_1 <> '' FROM screening_stagedperson WHERE load_id = %(load)s
"""
"""All that decides the next date of people without a history, each combination once; see `due.answers_of_new`."""
NO_FACTS = "SELECT 1 WHERE false"
"""Where their dates are for later."""

_SAME_FACTS = " AND ".join(
    f"coalesce({{facts}}.{c}, 'infinity') = coalesce(d.{c}, 'infinity')"
    for c in ("birth_date", "deceased_on", "left_area_on")
)
NEW_DATES = f"""(birth_date, deceased_on, left_area_on, addressed, due, code)
        ON {_SAME_FACTS} AND ({{facts}}.address_1 <> '') = d.addressed"""
"""Joins new people's facts (`{facts}`) with the next date that was computed for each combination, under the name d."""

NEW_COLUMNS = [*NEW_VALUES, "hidden_address", "last_feed_id", "next_due_on", "not_due_code"]
INSERT_NEW = f"""
WITH fresh AS MATERIALIZED (
    SELECT nextval(pg_get_serial_sequence('screening_person', 'id')) AS new_id, s.person_number,
        {", ".join(f"{value} AS {c}" for c, value in NEW_VALUES.items())}
    {JOINED} AND p.id IS NULL ORDER BY s.line),
people AS (
    INSERT INTO screening_person (id, {", ".join(NEW_COLUMNS)})
    SELECT f.new_id, {", ".join(f"f.{c}" for c in NEW_VALUES)}, false, %(load)s, d.due, coalesce(d.code, '') FROM fresh f
    LEFT JOIN unnest(%(births)s::date[], %(deaths)s::date[], %(lefts)s::date[], %(addressed)s::bool[], %(dues)s::date[],
        %(codes)s::text[]) AS d {NEW_DATES.format(facts="f")}),
numbers AS (
    INSERT INTO screening_personidentifier (person_id, scheme, value, valid_from)
    SELECT new_id, '{PersonIdentifier.REGISTER}', person_number, %(today)s FROM fresh)
SELECT count(*), CASE WHEN NOT %(at_once)s THEN array_agg(new_id) END FROM fresh
"""
"""New people with their numbers: how many and, unless their dates are written at once, who.

Those whose facts stand in the arrays get the next date, or the reason for none, at once.
"""

# What the rule of eligibility reads of a person's own facts: where none of it changes, neither does the next date.
_RULED = ("birth_date", "sex", "deceased_on", "left_area_on")
_RULED_CHANGES = " OR ".join(
    [
        *(f"p.{c} IS DISTINCT FROM {NEW_VALUES[c]}" for c in _RULED),
        f"(p.address_1 = '') <> ({NEW_VALUES['address_1']} = '')",
    ]
)
UPDATE_CHANGED = f"""
UPDATE screening_person t SET {", ".join(f"{c} = w.{c}" for c in NEW_VALUES)}, last_feed_id = %(load)s,
    next_due_on = CASE WHEN w.deceased_on IS NULL THEN t.next_due_on END
FROM (SELECT p.id, {", ".join(f"{value} AS {c}" for c, value in NEW_VALUES.items())}, {_RULED_CHANGES} AS ruled
      {JOINED} AND p.id IS NOT NULL AND {DIFFERS}) w
WHERE t.id = w.id RETURNING t.id, w.ruled, t.deceased_on IS NOT NULL OR t.left_area_on IS NOT NULL
"""
"""Returns whom it changed, whether their next date has to be computed anew, and whether they died or leave."""

SURVIVORS_DIED = """
UPDATE screening_person t SET deceased_on = m.deceased_on, next_due_on = NULL, last_feed_id = %(load)s
FROM screening_person m
WHERE m.id = ANY(%(gone)s::bigint[]) AND m.merged_into_id = t.id AND m.deceased_on IS NOT NULL AND t.deceased_on IS NULL
    AND NOT EXISTS (SELECT 1 FROM screening_fieldcorrection c WHERE c.person_id = t.id AND c.field = 'deceased_on'
        AND c.ended_on IS NULL AND c.feed_value = m.deceased_on::text)
RETURNING t.id
"""
"""A death reported for a number that was put under another record is that person's death, unless two people took it back."""

ROUNDS_ENDED = """
SELECT r.id, p.deceased_on IS NOT NULL AS died
FROM unnest(%(people)s::bigint[]) AS w(id) JOIN screening_person p ON p.id = w.id
JOIN screening_round r ON r.person_id = p.id
WHERE p.deceased_on IS NOT NULL AND r.state IN ('kit_due', 'kit_out', 'result_due')
   OR p.deceased_on IS NULL AND p.left_area_on <= %(today)s AND r.state IN ('kit_due', 'kit_out')
ORDER BY r.id
"""
"""Rounds of the dead and of those who left. A referral never stops here, nor a kit that is back."""

FEED_SAYS = {
    **{c: f"s.{c}" for c in TEXTS if c != "name_key"},
    "birth_date": "coalesce(s.birth_date::text, '')",
    "deceased_on": "coalesce(s.deceased_on::text, '')",
}
"""What a line says of a field that may be corrected by hand, as text."""

_SAID = "CASE t.field " + " ".join(f"WHEN '{c}' THEN {said}" for c, said in FEED_SAYS.items()) + " END"

CORRECTIONS_OVERTAKEN = f"""
UPDATE screening_fieldcorrection t SET ended_on = %(today)s
FROM screening_personidentifier i JOIN screening_stagedperson s ON s.person_number = i.value AND s.load_id = %(load)s
WHERE t.ended_on IS NULL AND i.person_id = t.person_id AND i.scheme = '{PersonIdentifier.REGISTER}' AND i.valid_to IS NULL
    AND t.feed_value <> {_SAID}
RETURNING t.person_id
"""
"""Corrections end when the register itself says something else than it said when they were made."""

LAST_SAID = """
SELECT DISTINCT ON (s.person_number) s.* FROM screening_stagedperson s
JOIN screening_registerload l ON l.id = s.load_id WHERE l.status = 'applied'
ORDER BY s.person_number, l.applied_at DESC, l.id DESC
"""
"""What the register last said about each person, over all applied files."""
