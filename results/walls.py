"""The SQL that results adds to the walls: the feed of returns, and no at-or-above result without a referral."""

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
