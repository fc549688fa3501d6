"""Since when each live account of a person is confirmed, as the database tells it: the page and the nightly check read the same statement.

An account counts as confirmed on the day it was added, given other roles or opened again by somebody else, and whenever the
manager or an administrator confirms it. A change somebody made to their own account does not count. Programs and the system's
user are left out. Source: the programme's job description 3g, I38, and 9 (accounts).
"""

CONFIRMED_DAYS = 90
"""A live account is confirmed at least this often, in days."""

_BY_ANOTHER = "coalesce((h.pgh_context ->> 'actor')::bigint, 0) <> {0}"
LIVE = """
FROM staff_user u
WHERE u.is_active AND u.username <> 'roundbook' AND NOT EXISTS (SELECT 1 FROM staff_apiclient a WHERE a.user_id = u.id)
"""
CONFIRMED = f"""
SELECT u.id, u.full_name, c.at, c.how FROM (SELECT u.id, u.full_name {LIVE}) u LEFT JOIN LATERAL (
    SELECT x.at, x.how FROM (
        SELECT k.at, 'confirmed' AS how FROM staff_accountconfirmation k WHERE k.user_id = u.id AND k.by_id <> u.id
        UNION ALL
        SELECT h.pgh_created_at, CASE h.pgh_label WHEN 'insert' THEN 'added' ELSE 'reopened' END FROM (
            SELECT s.*, lag(s.is_active) OVER (ORDER BY s.pgh_id) AS stood FROM staff_userhistory s WHERE s.pgh_obj_id = u.id) h
        WHERE h.is_active AND (h.pgh_label = 'insert' OR NOT h.stood) AND {_BY_ANOTHER.format("u.id")}
        UNION ALL
        SELECT h.pgh_created_at, 'roles' FROM staff_postinghistory h
        WHERE h.user_id = u.id AND h.pgh_label = 'insert' AND {_BY_ANOTHER.format("u.id")}
    ) x ORDER BY x.at DESC NULLS LAST, x.how LIMIT 1
) c ON true
"""
"""Each live account of a person: id, full_name, the moment it was confirmed last and how; both empty where nobody ever did."""
