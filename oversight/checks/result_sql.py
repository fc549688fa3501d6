"""The value and side of a result computed again in SQL: the second form of `results.classify`; a test compares both.

Everything is whole-number arithmetic: raw × buffer ÷ stool is compared by multiplying out and rounded half up by `div`.
"""

AGAIN = """
SELECT e.*, d.value * d.dilution AS read_value, n.reported_again, d.analyser_says, CASE
    WHEN e.qualitative THEN CASE e.comparator WHEN '>' THEN 'at_or_above' ELSE 'below' END
    WHEN e.comparator = '<' THEN CASE
        WHEN e.raw_value * n.up > e.cutoff_ug_g * n.down
          OR (CASE e.comparison WHEN '>=' THEN n.highest >= e.cutoff_ug_g ELSE n.highest > e.cutoff_ug_g END) THEN 'either'
        ELSE 'below' END
    WHEN e.comparator = '>' THEN CASE
        WHEN e.raw_value * n.up >= e.cutoff_ug_g * n.down
          OR (CASE e.comparison WHEN '>=' THEN n.reported_again >= e.cutoff_ug_g ELSE n.reported_again > e.cutoff_ug_g END)
          THEN 'at_or_above'
        ELSE 'either' END
    WHEN e.comparison = '>=' AND (e.raw_value * n.up >= e.cutoff_ug_g * n.down OR n.reported_again >= e.cutoff_ug_g)
        THEN 'at_or_above'
    WHEN e.comparison = '>' AND (e.raw_value * n.up > e.cutoff_ug_g * n.down OR n.reported_again > e.cutoff_ug_g)
        THEN 'at_or_above'
    ELSE 'below' END AS side_again
FROM results_result e
LEFT JOIN results_reading d ON d.id = e.reading_id
CROSS JOIN LATERAL (
    SELECT CASE e.raw_unit WHEN 'ng/mL' THEN e.buffer_ml ELSE 1 END AS up,
           CASE e.raw_unit WHEN 'ng/mL' THEN e.stool_mg ELSE 1 END AS down, 10::numeric ^ e.decimals AS tens) f
CROSS JOIN LATERAL (
    SELECT f.up, f.down, div(2 * e.raw_value * f.up * f.tens + f.down, 2 * f.down) / f.tens AS reported_again,
           (div(2 * e.raw_value * f.up * f.tens + f.down, 2 * f.down)
            - CASE WHEN mod(2 * e.raw_value * f.up * f.tens + f.down, 2 * f.down) = 0 THEN 1 ELSE 0 END) / f.tens AS highest) n
WHERE true /*of person e.person_id*/
"""
"""Results with their value and side computed again: `either` where a limit leaves both sides open."""

RECOMPUTED = """
SELECT 'result' AS thing, a.id, a.person_id, a.authorised_on AS since, coalesce(u.full_name, '') AS owner, {note} AS note
FROM ({again}) a LEFT JOIN staff_user u ON u.id = a.authorised_by_id WHERE {wrong}
"""
