"""The class of a referral computed again from its lesions, in SQL: the second form of `results.findings.classify`.

A test compares both over the whole decision table and over random referrals.
"""

from results.findings import ADENOMAS, ADVANCED_MM, DIMINUTIVE_MM, LOOKS_LIKE, ORDER, SERRATED, VILLOUS


def _listed(names: object) -> str:
    return ", ".join(f"'{name}'" for name in sorted(names))  # type: ignore[call-overload]


LOOKS = (
    "CASE l.looks " + " ".join(f"WHEN '{k.value}' THEN '{v.value}'" for k, v in LOOKS_LIKE.items()) + " END"
)
RANK = "array_position(ARRAY[" + ", ".join(f"'{name}'" for name in ORDER) + "], {0})"
CLASS = f"""CASE
    WHEN tissue = 'carcinoma' THEN 'cancer' WHEN tissue = 'other_cancer' THEN 'other_cancer'
    WHEN tissue IN ({_listed(ADENOMAS)}) THEN
        CASE WHEN size_mm >= {ADVANCED_MM} OR dysplasia = 'high' OR ({{villous}} AND tissue IN ({_listed(VILLOUS)}))
             THEN 'advanced_adenoma' ELSE 'non_advanced' END
    WHEN tissue IN ({_listed(SERRATED)}) THEN
        CASE WHEN size_mm >= {ADVANCED_MM} OR dysplasia <> 'none' OR tissue = 'traditional_serrated' THEN 'advanced_serrated'
             WHEN tissue = 'hyperplastic' AND size_mm <= {DIMINUTIVE_MM} AND segment = 'rectum' THEN 'other'
             ELSE 'non_advanced' END
    ELSE 'other' END"""

AGAIN = f"""
seen AS (
    SELECT c.referral_id, l.id AS lesion, l.size_mm, l.segment, c.villous_counts, h.id AS histology,
           coalesce(h.pot_in_doubt, false) AS doubt, coalesce(h.tissue, {LOOKS}) AS tissue,
           coalesce(h.dysplasia, 'none') AS dysplasia
    FROM standing c JOIN results_examination x ON x.referral_id = c.referral_id
    JOIN results_lesionrow l ON l.examination_id = x.id
        AND NOT EXISTS (SELECT 1 FROM results_lesionrow o WHERE o.same_as_id = l.id)
    LEFT JOIN LATERAL (SELECT h.* FROM results_histology h WHERE h.lesion_id = l.id ORDER BY h.version DESC LIMIT 1) h ON true
), could_be AS (
    SELECT referral_id, lesion, size_mm, segment, villous_counts, tissue, dysplasia, lesion AS told FROM seen WHERE NOT doubt
    UNION ALL
    SELECT s.referral_id, s.lesion, s.size_mm, s.segment, s.villous_counts, o.tissue, o.dysplasia, o.lesion
    FROM seen s JOIN seen o ON o.referral_id = s.referral_id AND o.doubt AND o.histology IS NOT NULL WHERE s.doubt
), classed AS (
    SELECT DISTINCT ON (lesion) referral_id, {CLASS.format(villous="villous_counts")} AS class FROM could_be
    ORDER BY lesion, {RANK.format(CLASS.format(villous="true"))}, told
), worst AS (
    SELECT referral_id, min({RANK.format("class")}) AS rank FROM classed GROUP BY referral_id
), again AS (
    SELECT c.*, CASE
        WHEN w.rank IS NOT NULL THEN (ARRAY[{", ".join(f"'{name}'" for name in ORDER)}])[
            CASE WHEN e.finding = 'other' THEN least(w.rank, {ORDER.index("other") + 1}) ELSE w.rank END]
        WHEN c.finding NOT IN ('nothing', 'inconclusive') THEN c.finding
        WHEN e.finding NOT IN ('nothing', 'inconclusive') THEN e.finding
        WHEN e.conclusive THEN 'nothing' ELSE 'inconclusive' END AS class_again
    FROM standing c LEFT JOIN worst w ON w.referral_id = c.referral_id
    LEFT JOIN LATERAL (
        SELECT (array_agg(x.finding ORDER BY x.day DESC, x.id DESC))[1] AS finding, bool_or(x.complete AND x.prep_adequate)
            AS conclusive FROM results_examination x WHERE x.referral_id = c.referral_id) e ON true
)"""
"""CTEs over `standing`: rows of FindingComputed, each the last of its referral; gives `again.class_again`."""

COMPUTED = f"""
WITH standing AS MATERIALIZED (
    SELECT DISTINCT ON (c.referral_id) c.id, c.referral_id, f.person_id, c.finding, c.villous_counts, c.made_at, c.made_by_id
    FROM results_findingcomputed c JOIN results_referral f ON f.id = c.referral_id WHERE true /*of person f.person_id*/
    ORDER BY c.referral_id, c.id DESC
), {AGAIN}
SELECT 'referral' AS thing, a.referral_id AS id, a.person_id, (a.made_at AT TIME ZONE %(zone)s)::date AS since,
       coalesce(u.full_name, '') AS owner, 'computed_otherwise' AS note
FROM again a LEFT JOIN staff_user u ON u.id = a.made_by_id WHERE a.finding <> a.class_again
UNION ALL
SELECT 'referral', n.referral_id, f.person_id, n.signed_on, coalesce(u.full_name, ''), 'signed_otherwise'
FROM results_nextstep n JOIN results_referral f ON f.id = n.referral_id JOIN results_findingcomputed c ON c.id = n.computed_id
LEFT JOIN staff_user u ON u.id = n.signed_by_id
WHERE n.finding <> c.finding AND n.deviation = '' /*of person f.person_id*/
  AND NOT EXISTS (SELECT 1 FROM results_nextstep o WHERE o.referral_id = n.referral_id AND o.id > n.id)
"""
