"""The SQL that results adds to the walls: the feed of returns, no at-or-above result without a referral,
no result without a run in control, no closed referral
without its evidence, no booking without an assessment that allows it, no place beyond its list, no question decided twice."""

RETURN_FEED = """
INSERT INTO results_sampletodo (return_id, became)
SELECT subject_id, to_state FROM moved
WHERE to_state IN ('ready', 'unsuitable', 'undone') AND from_state <> to_state
"""

AT_OR_ABOVE_HAS_A_REFERRAL = """
CREATE OR REPLACE FUNCTION results_at_or_above_has_a_referral() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT 1 FROM results_referralresult l WHERE l.result_id = NEW.id) THEN
        RAISE EXCEPTION 'result % is at or above its cutoff and no referral is linked to it', NEW.id
            USING ERRCODE = 'RB010', CONSTRAINT = 'at_or_above_has_a_referral';
    END IF;
    RETURN NULL;
END $$;
DROP TRIGGER IF EXISTS at_or_above_has_a_referral ON results_result;
CREATE CONSTRAINT TRIGGER at_or_above_has_a_referral AFTER INSERT OR UPDATE OF side ON results_result
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.side = 'at_or_above')
    EXECUTE FUNCTION results_at_or_above_has_a_referral();
"""

RESULT_HAS_A_RUN_IN_CONTROL = """
CREATE OR REPLACE FUNCTION results_result_has_a_run_in_control() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE wrong bigint; example bigint;
BEGIN
    EXECUTE $q$
        SELECT count(*), min(n.run_id) FROM (
            SELECT b.run_id, count(*) FILTER (WHERE x.reading_id IS NULL) AS bare
            FROM born b LEFT JOIN results_bracketedreading x ON x.reading_id = b.reading_id GROUP BY b.run_id
        ) n
        LEFT JOIN results_run r ON r.id = n.run_id
        LEFT JOIN (
            SELECT c.run_id, count(*) FILTER (WHERE c.position = 'start') AS before,
                   count(*) FILTER (WHERE c.position = 'end') AS after,
                   count(*) FILTER (WHERE NOT c.in_control) AS out
            FROM results_controlreading c GROUP BY c.run_id
        ) k ON k.run_id = n.run_id
        WHERE r.status IS NULL OR coalesce(k.before, 0) = 0
           OR NOT (r.status IN ('in_control', 'resolved') OR (r.status = 'held' AND n.bare = 0))
           OR (r.status = 'in_control' AND (k.after = 0 OR k.out > 0 OR EXISTS (
               SELECT 1 FROM results_checkreading c WHERE c.run_id = n.run_id AND NOT (c.passed AND c.lot_usable))))
    $q$ INTO wrong, example;
    IF wrong > 0 THEN
        RAISE EXCEPTION 'run % has no controls in control before and after: no result may be released', example
            USING ERRCODE = 'RB011', CONSTRAINT = 'result_has_a_run_in_control';
    END IF;
    EXECUTE $q$
        SELECT count(*), min(b.sample_id) FROM born b LEFT JOIN results_reading d
            ON d.id = b.reading_id AND d.sample_id = b.sample_id AND d.run_id = b.run_id AND d.flag = ''
            AND d.qualitative = b.qualitative
        WHERE d.id IS NULL
    $q$ INTO wrong, example;
    IF wrong > 0 THEN
        RAISE EXCEPTION 'the result of sample % does not rest on an unflagged reading of that run', example
            USING ERRCODE = 'RB011', CONSTRAINT = 'result_has_a_run_in_control';
    END IF;
    RETURN NULL;
END $$;
CREATE OR REPLACE TRIGGER result_has_a_run_in_control AFTER INSERT ON results_result REFERENCING NEW TABLE AS born
    FOR EACH STATEMENT EXECUTE FUNCTION results_result_has_a_run_in_control();
"""

BRACKET_IS_CLOSED = """
CREATE OR REPLACE FUNCTION results_bracket_is_closed() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE wrong bigint; example bigint;
BEGIN
    EXECUTE $q$
        SELECT count(*), min(b.reading_id) FROM born b
        JOIN results_reading r ON r.id = b.reading_id JOIN results_run u ON u.id = r.run_id
        LEFT JOIN results_readingsfile f ON f.id = r.file_id
        LEFT JOIN results_controlreading e ON e.run_id = r.run_id AND e.seq = b.until_seq
        WHERE e.id IS NULL OR u.status <> 'held' OR e.position = 'start'
           OR e.read_at < least(coalesce(f.loaded_at, r.read_at), r.read_at + interval '15 minutes')
           OR EXISTS (SELECT 1 FROM results_controlreading c WHERE c.run_id = r.run_id AND c.read_at <= e.read_at
                      AND NOT c.in_control)
           OR EXISTS (SELECT 1 FROM results_checkreading c WHERE c.run_id = r.run_id AND c.read_at <= e.read_at
                      AND NOT (c.passed AND c.lot_usable))
           OR (SELECT count(DISTINCT l.level) FROM results_controlreading c
                   JOIN results_controllot l ON l.id = c.control_id
                   WHERE c.run_id = r.run_id AND c.read_at = e.read_at AND c.position = e.position)
                < (SELECT count(DISTINCT l.level) FROM results_controlreading c
                   JOIN results_controllot l ON l.id = c.control_id
                   WHERE c.run_id = r.run_id AND c.position = 'start')
    $q$ INTO wrong, example;
    IF wrong > 0 THEN
        RAISE EXCEPTION 'reading % does not stand between complete controls in control', example
            USING ERRCODE = 'RB012', CONSTRAINT = 'bracket_is_closed';
    END IF;
    RETURN NULL;
END $$;
CREATE OR REPLACE TRIGGER bracket_is_closed AFTER INSERT ON results_bracketedreading REFERENCING NEW TABLE AS born
    FOR EACH STATEMENT EXECUTE FUNCTION results_bracket_is_closed();
"""

CLOSED_HAS_EVIDENCE = """
CREATE OR REPLACE FUNCTION results_closed_has_evidence() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (SELECT count(*) FROM results_closingevidence e
            WHERE e.referral_id = NEW.subject_id AND e.reason = NEW.reason)
        < (SELECT count(*) FROM results_referralmove m
            WHERE m.subject_id = NEW.subject_id AND m.event = 'close' AND m.reason = NEW.reason) THEN
        RAISE EXCEPTION 'referral % was closed as % without evidence', NEW.subject_id, NEW.reason
            USING ERRCODE = 'RB013', CONSTRAINT = 'closed_has_evidence';
    END IF;
    RETURN NULL;
END $$;
DROP TRIGGER IF EXISTS closed_has_evidence ON results_referralmove;
CREATE CONSTRAINT TRIGGER closed_has_evidence AFTER INSERT ON results_referralmove
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.event = 'close')
    EXECUTE FUNCTION results_closed_has_evidence();
"""

BOOKING_RESTS_ON_AN_ASSESSMENT = """
CREATE OR REPLACE FUNCTION results_booking_rests_on_an_assessment() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE a record;
BEGIN
    SELECT * INTO a FROM results_assessment WHERE referral_id = NEW.referral_id ORDER BY id DESC LIMIT 1;
    IF a.id IS NULL OR a.outcome NOT IN ('fit', 'conditions', 'alternative') OR a.kidney_disease IS NULL
       OR a.anticoagulants IS NULL OR a.interpreter IS NULL
       OR (a.interpreter AND btrim(a.interpreted_by) = '') OR (a.kidney_disease AND btrim(a.preparation) = '') THEN
        RAISE EXCEPTION 'nothing may be booked for referral % on its latest assessment', NEW.referral_id
            USING ERRCODE = 'RB014', CONSTRAINT = 'booking_rests_on_an_assessment';
    END IF;
    RETURN NULL;
END $$;
CREATE OR REPLACE TRIGGER booking_rests_on_an_assessment AFTER INSERT ON results_booking
    FOR EACH ROW EXECUTE FUNCTION results_booking_rests_on_an_assessment();
"""

PLACE_LIES_ON_ITS_LIST = """
CREATE OR REPLACE FUNCTION results_place_lies_on_its_list() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE l record;
BEGIN
    SELECT * INTO l FROM results_cliniclist WHERE id = NEW.list_id FOR SHARE;
    IF l.cancelled_at IS NOT NULL OR upper(NEW.points) > l.points THEN
        RAISE EXCEPTION 'list % is cancelled or has no such points', NEW.list_id
            USING ERRCODE = 'RB015', CONSTRAINT = 'place_lies_on_its_list';
    END IF;
    RETURN NULL;
END $$;
DROP TRIGGER IF EXISTS place_lies_on_its_list ON results_listplace;
CREATE TRIGGER place_lies_on_its_list AFTER INSERT OR UPDATE OF status, points, list_id ON results_listplace
    FOR EACH ROW WHEN (NEW.status IN ('held', 'booked')) EXECUTE FUNCTION results_place_lies_on_its_list();
"""

BOOKING_HAS_ITS_PLACE = """
CREATE OR REPLACE FUNCTION results_booking_has_its_place() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT 1 FROM results_unitcalendar c WHERE c.site_id = NEW.site_id AND c.kept_from <= NEW.day
               AND (c.kept_until IS NULL OR c.kept_until > NEW.day))
       AND NOT EXISTS (SELECT 1 FROM results_listplace p WHERE p.booking_id = NEW.id) THEN
        RAISE EXCEPTION 'booking % has no place in the calendar we keep of its unit', NEW.id
            USING ERRCODE = 'RB016', CONSTRAINT = 'booking_has_its_place';
    END IF;
    RETURN NULL;
END $$;
DROP TRIGGER IF EXISTS booking_has_its_place ON results_booking;
CREATE CONSTRAINT TRIGGER booking_has_its_place AFTER INSERT ON results_booking
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION results_booking_has_its_place();
"""

DECIDED_ONCE = """
CREATE OR REPLACE FUNCTION results_question_is_decided_once() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'question % to a second person was decided already', OLD.id
        USING ERRCODE = 'RB017', CONSTRAINT = 'question_is_decided_once';
END $$;
CREATE OR REPLACE TRIGGER question_is_decided_once BEFORE UPDATE ON results_askedsecond
    FOR EACH ROW WHEN (OLD.verdict <> '') EXECUTE FUNCTION results_question_is_decided_once();
"""
