"""The outreach application: its ledger and the feed that tells it of rounds."""

from django.apps import AppConfig

ROUND_FEED = """
INSERT INTO outreach_lettertodo (source, subject_id, event, reason)
SELECT 'round', subject_id, event, reason FROM moved
WHERE event IN ('open', 'unsuitable', 'kit_gone', 'kit_back_undone', 'below', 'at_or_above', 'raise', 'withdraw', 'conclude')
   OR event = 'close' AND from_state = 'kit_due'
   OR event = 'kit_sent'
   OR event = 'close' AND EXISTS (SELECT 1 FROM screening_round r WHERE r.id = subject_id AND r.age_at_invitation >= 68)
"""
REFERRAL_FEED = """
INSERT INTO outreach_lettertodo (source, subject_id, event, reason)
SELECT 'referral', subject_id, event, reason FROM moved
WHERE event IN ('attempt', 'reschedule', 'reached', 'book', 'examined', 'report', 'report_specimen', 'repeat', 'close', 'pause')
   OR event = 'unbook' AND reason <> 'missed'
"""
STOP_FEED = """
INSERT INTO outreach_lettertodo (source, subject_id, event, reason)
SELECT 'stop', id, 'asked', '' FROM moved WHERE scope = 'invitations'
"""
EXCLUSION_FEED = """
INSERT INTO outreach_lettertodo (source, subject_id, event, reason)
SELECT 'exclusion', id, 'asked', '' FROM moved WHERE kind = 'postponed'
"""
LOT_FEED = """
INSERT INTO outreach_lettertodo (source, subject_id, event, reason)
SELECT 'lot', id, 'quarantined', '' FROM moved WHERE quarantined
"""
MISSED_CALL_FEED = """
INSERT INTO outreach_lettertodo (source, subject_id, event, reason)
SELECT 'round', k.round_id, 'missed_call', m.reason FROM moved m
JOIN screening_return b ON b.id = m.subject_id JOIN screening_kit k ON k.id = b.kit_id
WHERE m.event = 'reschedule' AND m.rule IN ('no_answer', 'machine', 'wrong_number') AND k.round_id IS NOT NULL
"""
NOTICE_FEED = """
INSERT INTO outreach_noticetodo (letter_id)
SELECT l.id FROM moved m JOIN outreach_letter l ON l.id = m.subject_id
JOIN outreach_noticeroute r ON r.practice_id = l.practice_id AND r.way <> 'off'
WHERE m.event = 'hand_over' AND l.recipient = 'doctor'
"""


APPROVED_TEXTS_STAND = """
CREATE OR REPLACE FUNCTION outreach_approved_text_stands() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.approved_by_id IS NOT NULL THEN
        RAISE EXCEPTION 'approved_text_stands' USING ERRCODE = 'check_violation', DETAIL = OLD.kind || '-' || OLD.number;
    END IF;
    RETURN CASE TG_OP WHEN 'DELETE' THEN OLD ELSE NEW END;
END $$;
CREATE OR REPLACE TRIGGER approved_text_stands BEFORE UPDATE OR DELETE ON outreach_lettertext
    FOR EACH ROW EXECUTE FUNCTION outreach_approved_text_stands();
"""


class OutreachConfig(AppConfig):
    """Letters and print runs."""

    name = "outreach"
    verbose_name = "Outreach"

    def ready(self) -> None:
        """Register the machine and the feed from the ledger of rounds."""
        from django.core.checks import register

        from outreach import models, states
        from outreach.checks import letter_libraries
        from staff.ledger.registry import (
            Ledger,
            TodoFeed,
            register_append_only,
            register_feed,
            register_guarded,
            register_ledger,
            register_sql,
        )

        register(letter_libraries)
        register_ledger(Ledger(states.LETTER, models.Letter, models.LetterMove))
        register_append_only(
            models.PrintDocument, models.Reprint, models.ContractorFile, models.NoticeAttempt
        )
        changing = {"owner_id" if name == "owner" else name for name in models.Notice.CHANGES}
        register_guarded(models.Notice, changing)
        register_sql("outreach_approved_texts", APPROVED_TEXTS_STAND)
        register_feed(TodoFeed("outreach_rounds", "screening_roundmove", ROUND_FEED))
        register_feed(TodoFeed("outreach_missed_calls", "screening_returnmove", MISSED_CALL_FEED))
        register_feed(TodoFeed("outreach_referrals", "results_referralmove", REFERRAL_FEED))
        register_feed(TodoFeed("outreach_stops", "screening_stop", STOP_FEED))
        register_feed(TodoFeed("outreach_exclusions", "screening_exclusion", EXCLUSION_FEED))
        register_feed(TodoFeed("outreach_notices", "outreach_lettermove", NOTICE_FEED))
        register_feed(TodoFeed("outreach_lots", "screening_lothistory", LOT_FEED))
