"""Damages to referrals, letters, results and rounds, each in the one way its check guards against."""

from datetime import timedelta

from django.db import connection

from outreach.models import Letter
from screening.models import Round
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import User
from tests import cast
from tests.oversight.damaging import both, off, one, run

LIVE = (
    "SELECT id FROM results_referral WHERE state IN ('to_reach', 'to_assess', 'to_book') ORDER BY id LIMIT 1"
)
HIGH = """SELECT e.id FROM results_result e JOIN results_referralresult l ON l.result_id = e.id
    JOIN results_referral f ON f.id = l.referral_id JOIN outreach_letter o ON o.result_id = e.id AND o.recipient = 'person'
    WHERE e.is_deciding AND e.side = 'at_or_above' AND o.state = 'handed_over' AND e.version = 1 AND f.state = 'closed'
    ORDER BY e.id LIMIT 1"""
BELOW = """SELECT e.id FROM results_result e JOIN outreach_letter o ON o.result_id = e.id AND o.recipient = 'person'
    WHERE e.is_deciding AND e.side = 'below' AND o.state = 'handed_over' AND e.reported_ug_g BETWEEN 5 AND 15
    ORDER BY e.id LIMIT 1"""


def no_referral() -> None:
    off("results_referralresult")
    run(f"DELETE FROM results_referralresult WHERE result_id = ({HIGH})")


def owner_left() -> None:
    with acting(cast.member(cast.ADMINISTRATOR)):
        gone = User.objects.create_user("gone", full_name="Gone", is_active=False)
    both("results_referral", "results_referralmove", one(LIVE), f"owner_id = {gone.pk}, pool = ''")


def date_too_far() -> None:
    day = clock.today() + timedelta(days=31)
    both("results_referral", "results_referralmove", one(LIVE), f"due_on = '{day}'")


def date_long_past() -> None:
    day = clock.today() - timedelta(days=5)
    both("results_referral", "results_referralmove", one(LIVE), f"due_on = '{day}'")


def no_evidence() -> None:
    off("results_closingevidence")
    run("DELETE FROM results_closingevidence WHERE id = (SELECT e.id FROM results_closingevidence e WHERE e.reason ="
        " 'next_step_signed' ORDER BY e.id LIMIT 1)")  # fmt: skip


def evidence_emptied() -> None:
    off("results_closingevidence")
    run("ALTER TABLE results_closingevidence DROP CONSTRAINT closing_holds_what_its_reason_demands")
    run("UPDATE results_closingevidence SET note = '', document = '', clinician_id = NULL WHERE reason IN ('informed_refusal',"
        " 'already_examined')")  # fmt: skip


def sent_to_the_dead() -> None:
    off("screening_person")
    run("""UPDATE screening_person SET deceased_on = '2025-11-01', next_due_on = NULL WHERE id = (
        SELECT r.person_id FROM screening_round r JOIN outreach_letter l ON l.round_id = r.id AND l.kind = 'reminder'
        AND l.state = 'handed_over' WHERE r.state = 'closed' AND r.close_reason = 'not_returned' ORDER BY r.id LIMIT 1)""")


def invited_against_a_stop() -> None:
    person = one("""SELECT r.person_id FROM screening_round r JOIN outreach_letter l ON l.round_id = r.id
        AND l.kind = 'reminder' AND l.state = 'handed_over' ORDER BY r.id LIMIT 1""")
    off("screening_stop")
    run(
        "INSERT INTO screening_stop (person_id, scope, since, source) VALUES (%s, 'invitations', '2025-11-01', 'call')",
        person,
    )
    run(
        """INSERT INTO screening_stophistory (pgh_created_at, pgh_label, pgh_obj_id, id, person_id, scope, since, source)
        SELECT '2025-11-01', 'insert', id, id, person_id, scope, since, source FROM screening_stop WHERE person_id = %s""",
        person,
    )


def control_out() -> None:
    off("results_controlreading")
    run("UPDATE results_controlreading SET in_control = false WHERE id = (SELECT c.id FROM results_controlreading c"
        " JOIN results_run r ON r.id = c.run_id AND r.status = 'in_control'"
        " WHERE EXISTS (SELECT 1 FROM results_result e WHERE e.run_id = r.id) ORDER BY c.id LIMIT 1)")  # fmt: skip


def another_comparison() -> None:
    off("results_result")
    run(f"UPDATE results_result SET comparison = '>' WHERE id = ({BELOW})")


def another_side() -> None:
    off("results_result")
    run(f"UPDATE results_result SET side = 'below' WHERE id = ({HIGH})")


def another_value() -> None:
    off("results_result")
    run(f"UPDATE results_result SET reported_ug_g = reported_ug_g + 0.1 WHERE id = ({BELOW})")


def high_letter_never_left() -> None:
    off("outreach_letter")
    run(f"UPDATE outreach_letter SET result_id = NULL WHERE result_id = ({HIGH}) AND recipient = 'person'")


def below_letter_never_left() -> None:
    off("outreach_letter")
    run(f"UPDATE outreach_letter SET result_id = NULL WHERE result_id = ({BELOW}) AND recipient = 'person'")


def came_back_to_the_office() -> None:
    letter = Letter.objects.get(result_id=one(HIGH), kind="result_more_tests", state="handed_over")
    with acting(cast.member(cast.PHONE_DESK)):
        make_move(letter, "undelivered", due_on=clock.today() + timedelta(days=5), pool="office")


def correction_lost() -> None:
    off("outreach_letter", "results_contactattempt")
    run("""UPDATE outreach_letter l SET result_id = NULL FROM results_result e WHERE e.id = l.result_id AND e.version > 1
        AND l.recipient = 'person'""")
    with connection.cursor() as cursor:
        cursor.execute("""DELETE FROM results_contactattempt a USING results_referral f, results_result e
            WHERE f.id = a.referral_id AND e.person_id = f.person_id AND NOT e.is_current""")


def sample_of_another() -> None:
    off("results_sample")
    run("""UPDATE results_sample SET person_id = (SELECT max(id) FROM screening_person) WHERE id = (
        SELECT s.id FROM results_sample s WHERE s.state = 'ready' OR s.state = 'unsuitable' ORDER BY s.id LIMIT 1)""")


def two_results_stand() -> None:
    off("results_result")
    run("DROP INDEX one_current_result_a_chain")
    run("UPDATE results_result SET is_current = true WHERE NOT is_current")


def two_open_rounds() -> None:
    run("DROP INDEX one_open_round_a_person")
    old = Round.objects.filter(state="kit_out").order_by("pk").first()
    assert old is not None
    with acting(cast.member(cast.ADMINISTRATOR)):
        new = Round.objects.create(
            person_id=old.person_id, protocol_id=old.protocol_id, invited_on=clock.today(), sex_at_invitation="female",
        )  # fmt: skip
        make_move(new, "open", due_on=clock.today(), pool="office")


def no_next_step() -> None:
    off("screening_person")
    run("""UPDATE screening_person SET next_due_on = NULL WHERE id = (SELECT id FROM screening_person
        WHERE next_due_on IS NOT NULL AND birth_date BETWEEN '1956-01-01' AND '1970-01-01' ORDER BY id LIMIT 1)""")


def reason_unfounded() -> None:
    off("screening_person")
    run("""UPDATE screening_person SET next_due_on = NULL, not_due_code = 'in_a_round' WHERE id = (SELECT id FROM
        screening_person WHERE next_due_on IS NOT NULL AND birth_date BETWEEN '1956-01-01' AND '1970-01-01' ORDER BY id LIMIT 1)""")


def move_deleted() -> None:
    off("screening_roundmove")
    run("""DELETE FROM screening_roundmove WHERE id = (SELECT m.id FROM screening_roundmove m JOIN screening_round r
        ON r.id = m.subject_id AND r.state = 'closed' WHERE m.event = 'kit_sent' ORDER BY m.id LIMIT 1)""")


def kit_moved_to_another_lot() -> None:
    off("screening_kit")
    run("""UPDATE screening_kit SET lot_id = (SELECT min(id) FROM screening_lot) WHERE id = (
        SELECT id FROM screening_kit WHERE state = 'in_stock' AND lot_id > (SELECT min(id) FROM screening_lot) LIMIT 1)""")
