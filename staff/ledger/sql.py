"""The SQL of the walls: functions and triggers every ledger shares. Run by the owner; safe to run again."""

from collections.abc import Sequence

FUNCTIONS = r"""
CREATE OR REPLACE FUNCTION roundbook_actor() RETURNS bigint LANGUAGE sql STABLE AS
$$ SELECT nullif(current_setting('roundbook.actor', true), '')::bigint $$;

CREATE OR REPLACE FUNCTION roundbook_now() RETURNS timestamptz LANGUAGE sql STABLE AS
$$ SELECT nullif(current_setting('roundbook.now', true), '')::timestamptz $$;

CREATE OR REPLACE FUNCTION roundbook_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'RB002';
END $$;
"""

MONTHS = r"""
CREATE OR REPLACE FUNCTION roundbook_ensure_month(parent text, month date) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE part text := parent || to_char(month, '_YYYYMM');
    first timestamp := date_trunc('month', month);
    kept boolean;
BEGIN
    IF parent NOT IN ('staff_accessentry', 'results_inboxline') THEN
        RAISE EXCEPTION '% is not partitioned by month', parent;
    END IF;
    IF to_regclass(part) IS NOT NULL THEN
        RETURN;
    END IF;
    -- A month whose first rows came while nobody had made its partition stays in the default one, whole.
    EXECUTE format('SELECT EXISTS (SELECT 1 FROM %I WHERE at >= %L AND at < %L)', parent || '_default',
                   first, first + interval '1 month') INTO kept;
    IF NOT kept THEN
        EXECUTE format('CREATE TABLE %I PARTITION OF %I FOR VALUES FROM (%L) TO (%L)', part, parent,
                       first, first + interval '1 month');
    END IF;
END $$;
"""

_CHECK = r"""
        SELECT count(*), min(format('{machine} %s: "%s" with "%s" to "%s" (seq %s)%s', m.subject_id,
                   m.from_state, m.event, m.to_state, m.seq,
                   CASE WHEN m.at_odds THEN ' but it is in "' || m.stood || '" at seq ' || m.last
                        WHEN m.unnamed THEN ', which is not in the table of moves'
                        WHEN m.unowned THEN ' without an owner and a next date'
                        WHEN m.unreasoned THEN ' without a reason'
                        ELSE ' by or at another than this transaction' END)){into}
        FROM (
            SELECT mv.subject_id, mv.seq, mv.event, mv.from_state, mv.to_state, mv.stood, mv.last,
                   mv.from_state <> mv.stood OR mv.seq <> mv.last + 1 AS at_odds,
                   t.id IS NULL OR st.id IS NULL AS unnamed,
                   st.is_open AND (mv.due_on IS NULL OR (mv.owner_id IS NULL) = (mv.pool = '')) AS unowned,
                   st.is_closed AND mv.reason = '' AS unreasoned,
                   mv.actor_id IS DISTINCT FROM (SELECT roundbook_actor())
                     OR mv.recorded_at IS DISTINCT FROM (SELECT roundbook_now()) AS forged
            FROM (
                SELECT n.*, coalesce(lag(n.to_state) OVER w, CASE WHEN n.seq = 1 THEN '' ELSE s.state END) AS stood,
                       coalesce(lag(n.seq) OVER w, CASE WHEN n.seq = 1 THEN 0 ELSE s.last_seq END) AS last
                FROM moved n LEFT JOIN {subject} s ON s.id = n.subject_id
                WINDOW w AS (PARTITION BY n.subject_id ORDER BY n.seq)
            ) mv
            LEFT JOIN staff_ledgertransition t ON t.machine = '{machine}' AND t.event = mv.event
                 AND t.from_state = mv.from_state AND t.to_state = mv.to_state
            LEFT JOIN staff_ledgerstate st ON st.machine = '{machine}' AND st.state = mv.to_state
        ) m WHERE m.at_odds OR m.unnamed OR m.unowned OR m.unreasoned OR m.forged
"""
_PROJECT = r"""
        UPDATE {subject} s SET state = m.to_state, last_seq = m.seq, due_on = m.due_on, due_time = m.due_time,
            owner_id = m.owner_id, pool = m.pool,
            state_since = CASE WHEN m.to_state <> s.state THEN m.occurred_at ELSE s.state_since END,
            closed_at = CASE WHEN NOT st.is_closed THEN NULL
                             WHEN m.to_state <> s.state THEN m.occurred_at ELSE s.closed_at END,
            close_reason = CASE WHEN st.is_closed THEN m.reason ELSE '' END{carried}
        FROM (SELECT DISTINCT ON (subject_id) * FROM moved ORDER BY subject_id, seq DESC) m
        JOIN staff_ledgerstate st ON st.machine = '{machine}' AND st.state = m.to_state
        WHERE s.id = m.subject_id AND s.last_seq <> m.seq
"""
# A new thing may stand where its first moves, made in the same statement, take it: it is not written a second time then.
_BORN = r"""
            SELECT count(*){into} FROM born b WHERE (b.state <> '' OR b.last_seq <> 0) AND NOT EXISTS (
                SELECT 1 FROM {move} m JOIN staff_ledgerstate st ON st.machine = '{machine}' AND st.state = m.to_state
                WHERE m.subject_id = b.id AND m.seq = b.last_seq AND m.to_state = b.state AND NOT st.is_closed
                  AND b.closed_at IS NULL AND b.close_reason = '' AND b.state_since = m.occurred_at AND b.pool = m.pool
                  AND (b.due_on, b.due_time, b.owner_id) IS NOT DISTINCT FROM (m.due_on, m.due_time, m.owner_id))
"""
_APPLY = r"""
CREATE OR REPLACE FUNCTION {function}() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE many bigint; wrong bigint; example text;
BEGIN
    SELECT count(*) INTO many FROM moved;
    -- A few moves keep their plan, made for a few; many are planned each time, so that neither suffers from the other.
    IF many <= 4 THEN
        {check_few};
    ELSE
        EXECUTE $q${check_many}$q$ INTO wrong, example;
    END IF;
    IF wrong > 0 THEN
        RAISE EXCEPTION '% move(s) refused: %', wrong, example USING ERRCODE = 'RB001';
    END IF;
    IF many <= 4 THEN
        {project};
    ELSE
        EXECUTE $q${project}$q$;
    END IF;
    RETURN NULL;
END $$;
CREATE OR REPLACE FUNCTION {function}_born() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE many bigint; wrong bigint;
BEGIN
    SELECT count(*) INTO many FROM born WHERE state <> '' OR last_seq <> 0;
    IF many = 0 THEN
        RETURN NULL;
    ELSIF many <= 4 THEN
        {born_few};
    ELSE
        EXECUTE $q${born_many}$q$ INTO wrong;
    END IF;
    IF wrong > 0 THEN
        RAISE EXCEPTION '% of % new rows of {subject} carry a state that no move of theirs gives', wrong,
            (SELECT count(*) FROM born) USING ERRCODE = 'RB003';
    END IF;
    RETURN NULL;
END $$;
CREATE OR REPLACE TRIGGER a_apply_moves AFTER INSERT ON {move} REFERENCING NEW TABLE AS moved
    FOR EACH STATEMENT EXECUTE FUNCTION {function}();
CREATE OR REPLACE TRIGGER born_without_state AFTER INSERT ON {subject} REFERENCING NEW TABLE AS born
    FOR EACH STATEMENT EXECUTE FUNCTION {function}_born();
"""


def ledger_sql(*, move: str, subject: str, machine: str, carried: Sequence[str] = ()) -> str:
    """The triggers of one ledger: each statement's moves are checked against the machine and projected.

    Of several moves of one thing in a statement the last says what is `carried`.
    """
    also = "".join(f", {column} = coalesce(m.{column}, s.{column})" for column in carried)
    names = {"subject": subject, "machine": machine, "carried": also}
    return _APPLY.format(
        move=move, subject=subject, function=f"roundbook_apply_{move}",
        check_few=_CHECK.format(into=" INTO wrong, example", **names), check_many=_CHECK.format(into="", **names),
        project=_PROJECT.format(**names), born_few=_BORN.format(into=" INTO wrong", move=move, **names),
        born_many=_BORN.format(into="", move=move, **names),
    )  # fmt: skip


APPEND_ONLY = r"""
CREATE OR REPLACE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table}
    FOR EACH STATEMENT EXECUTE FUNCTION roundbook_refuse();
"""

FEED = r"""
CREATE OR REPLACE FUNCTION {function}() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE many bigint;
BEGIN
    SELECT count(*) INTO many FROM moved;
    -- As with the moves themselves: a few keep their plan, many are planned each time.
    IF many <= 4 THEN
        {sql};
    ELSE
        EXECUTE $q${sql}$q$;
    END IF;
    RETURN NULL;
END $$;
CREATE OR REPLACE TRIGGER feed_{name} AFTER INSERT ON {table} REFERENCING NEW TABLE AS moved
    FOR EACH STATEMENT EXECUTE FUNCTION {function}();
"""
