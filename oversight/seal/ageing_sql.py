"""The statements by which months of the access journal go when their time is over, and nothing younger.

The application role may not delete from the journal. This function may, for whole months that are old enough by the server's own
clock; a row that goes any other way is reported by the seal.
"""

JOURNAL = "staff_accessentry"
GOES = """
CREATE OR REPLACE FUNCTION roundbook_journal_months(before date) RETURNS SETOF oid LANGUAGE sql STABLE SET search_path = public, pg_temp AS $$
    SELECT i.inhrelid FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
    WHERE i.inhparent = 'staff_accessentry'::regclass AND c.relname ~ '^staff_accessentry_[0-9]{6}$'
      AND to_date(right(c.relname, 6), 'YYYYMM') + interval '1 month' <= before
$$;
CREATE OR REPLACE FUNCTION roundbook_journal_age_out(before date) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE part oid;
BEGIN
    IF before <> date_trunc('month', before) OR before > clock_timestamp() - make_interval(years => {years}) THEN
        RAISE EXCEPTION 'the journal is kept for {years} years; % is not the first of a month older than that', before;
    END IF;
    FOR part IN SELECT roundbook_journal_months(before) LOOP
        EXECUTE format('DROP TABLE %s', part::regclass);
    END LOOP;
    DELETE FROM staff_accessentry_default WHERE at < before;
END $$;
"""

_GOES = (
    "(t.tableoid IN (SELECT roundbook_journal_months(%(before)s))"
    " OR t.tableoid = 'staff_accessentry_default'::regclass AND t.at < %(before)s)"
)
LEAVING = f"""
SELECT count(*), max(t.id), min(t.at), max(t.at), count(DISTINCT t.person_id) FROM staff_accessentry t WHERE {_GOES}
"""
"""Rows that would go: how many, the highest number, the first and last moment, and how many people they are about."""

IDS = f"""
SELECT coalesce(range_agg(int8range(q.low, q.high, '[]')), '{{}}')::text FROM (
    SELECT min(q.id) AS low, max(q.id) AS high FROM (
        SELECT t.id, {_GOES} AS goes, row_number() OVER (ORDER BY t.id) - row_number() OVER (PARTITION BY {_GOES} ORDER BY t.id) AS run
        FROM staff_accessentry t) q
    WHERE q.goes GROUP BY q.run) q
"""
"""The numbers of the rows that would go, as a multirange; numbers that no row has lie in it where both neighbours go."""
