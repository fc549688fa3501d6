"""One damage for each check: how rows are changed behind the application's back so that one thing no longer holds.

Each is SQL on a region that holds, run by the owner with the table's triggers off, or a move that no service would make.
"""

from collections.abc import Callable, Iterable
from datetime import timedelta

from outreach.models import Letter
from oversight.services.seal import seal_night
from results.models import LabLot, Reading, Referral, Result, Run, RunLot, TypedReading
from screening.models import Return
from staff import clock
from staff.acting import acting
from staff.ledger.moves import make_move
from staff.models import User
from tests import cast
from tests.oversight.damages_access import (
    confirmed_by_oneself,
    nobody_answers_for_an_account,
    opened_without_a_reason,
    review_lost,
    reviewed_by_who_looked,
)
from tests.oversight.damages_people import (
    BELOW,
    another_comparison,
    another_side,
    another_value,
    below_letter_never_left,
    came_back_to_the_office,
    control_out,
    correction_lost,
    date_long_past,
    date_too_far,
    evidence_emptied,
    high_letter_never_left,
    invited_against_a_stop,
    kit_moved_to_another_lot,
    move_deleted,
    no_evidence,
    no_next_step,
    no_referral,
    owner_left,
    reason_unfounded,
    sample_of_another,
    sent_to_the_dead,
    two_open_rounds,
    two_results_stand,
)
from tests.oversight.damaging import Damage, both, off, one, run

READY = """SELECT b.id FROM screening_return b JOIN results_sample s ON s.return_of_id = b.id AND s.state = 'ready'
    WHERE b.state = 'ready' ORDER BY b.id LIMIT 1"""


def kit_forgotten() -> None:
    back = one(READY)
    off("screening_return", "screening_kit")
    run(
        "UPDATE screening_kit SET dispatched_on = '2026-05-01' WHERE id = (SELECT kit_id FROM screening_return WHERE id = %s)",
        back,
    )
    run(
        """UPDATE screening_return SET arrived_on = '2026-06-05', collected_earliest = '2026-06-03',
        collected_latest = '2026-06-03' WHERE id = %s""",
        back,
    )


def nothing_after_unsuitable() -> None:
    back = Return.objects.get(pk=one(READY))
    with acting(cast.member(cast.LABORATORY)):
        make_move(back.sample, "recall", reason="leaked_out")
        make_move(back, "reject", reason="leaked_out")


def never_settled() -> None:
    run(
        "UPDATE screening_delivery SET settled_at = NULL WHERE id = (SELECT min(id) FROM screening_delivery WHERE hand_count > 0)"
    )


def sent_after_it_came() -> None:
    off("screening_kit")
    run("""UPDATE screening_kit SET dispatched_on = '2026-06-17' WHERE id = (SELECT b.kit_id FROM screening_return b
        WHERE b.state = 'ready' AND b.arrived_on < '2026-06-01' AND NOT EXISTS (SELECT 1 FROM screening_returnmove m
        WHERE m.subject_id = b.id AND m.event = 'solve') ORDER BY b.id LIMIT 1)""")


def too_old_after_all() -> None:
    off("screening_return")
    run(f"""UPDATE screening_return SET collected_earliest = collected_earliest - 30 WHERE id = (SELECT s.return_of_id
        FROM results_result e JOIN results_sample s ON s.id = e.sample_id WHERE e.id = ({BELOW}))""")


def running_number_skipped() -> None:
    off("results_reading")
    run("""UPDATE results_reading SET running_number = running_number + 1 WHERE id = (SELECT d.id FROM results_reading d
        JOIN (SELECT run_id, max(running_number) AS top, count(*) AS n FROM results_reading GROUP BY 1) t
        ON t.run_id = d.run_id AND t.top = d.running_number AND t.n = t.top WHERE NOT EXISTS (
            SELECT 1 FROM results_readingsfile f JOIN results_inboxline i ON i.file_id = f.id WHERE f.run_id = d.run_id
            AND (i.settled_note <> '' OR i.verdict <> 'taken' OR i.sentence LIKE '%%)')) AND t.n > 1 ORDER BY d.id LIMIT 1)""")


def typed_alone() -> None:
    result = Result.objects.get(pk=one(BELOW))
    who = cast.member(cast.LABORATORY)
    TypedReading.objects.create(
        run_id=result.run_id, sample_id=result.sample_id, reading=Reading.objects.get(pk=result.reading_id), raw="40", typed_by=who,
        typed_at=clock.now() - timedelta(hours=1), again_raw="40", again_by=who, again_at=clock.now(), state="agreed",
    )  # fmt: skip


def line_unsettled() -> None:
    run(
        """INSERT INTO results_inboxline (at, file_id, line, raw, serial, verdict, sentence, settled_note)
        VALUES (%s, 1, 900, 'x', '', 'unknown_serial', 'x', '')""",
        clock.now() - timedelta(days=4),
    )


def histology_lost() -> None:
    off("results_histology", "results_nextstep", "results_closingevidence")
    lesion = one("""SELECT l.id FROM results_lesionrow l JOIN results_histology h ON h.lesion_id = l.id
        JOIN results_examination x ON x.id = l.examination_id JOIN results_referral f ON f.id = x.referral_id
        WHERE f.state = 'closed' AND f.close_reason = 'next_step_signed' AND h.tissue = 'tubular' AND h.dysplasia = 'low'
          AND l.looks = 'adenoma' ORDER BY l.id LIMIT 1""")
    run("DELETE FROM results_histology WHERE lesion_id = %s", lesion)
    run(
        """UPDATE results_nextstep SET histology = '' WHERE referral_id = (SELECT x.referral_id FROM results_examination x
        JOIN results_lesionrow l ON l.examination_id = x.id WHERE l.id = %s)""",
        lesion,
    )


def examination_incomplete() -> None:
    off("results_examination")
    run("ALTER TABLE results_examination DROP CONSTRAINT incomplete_examination_is_never_clean")
    run("""UPDATE results_examination SET complete = false WHERE referral_id = (SELECT n.referral_id FROM results_nextstep n
        WHERE n.finding = 'nothing' ORDER BY n.id LIMIT 1)""")


def another_class() -> None:
    off("results_findingcomputed", "results_nextstep")
    referral = one("""SELECT n.referral_id FROM results_nextstep n JOIN results_findingcomputed c ON c.id = n.computed_id
        WHERE n.finding = 'non_advanced' ORDER BY n.id LIMIT 1""")
    run("UPDATE results_findingcomputed SET finding = 'other' WHERE referral_id = %s", referral)
    run("UPDATE results_nextstep SET finding = 'other' WHERE referral_id = %s", referral)


def plan_passed() -> None:
    off("results_nextstep")
    run("""UPDATE results_nextstep SET "on" = '2026-06-01' WHERE id = (SELECT n.id FROM results_nextstep n JOIN results_referral f
        ON f.id = n.referral_id JOIN screening_exclusion x ON x.person_id = f.person_id AND x.kind = 'surveillance'
        WHERE n.step = 'surveillance' ORDER BY n.id LIMIT 1)""")


def told_below_meanwhile() -> None:
    referral = Referral.objects.exclude(state="closed").filter(origin="result").order_by("pk").first()
    assert referral is not None
    with acting(cast.member(cast.PHONE_DESK)):
        letter = Letter.objects.create(
            kind="result_below", person_id=referral.person_id, key="damage", context={}, text_version="1",
            checksum="0",
        )  # fmt: skip
        for event in ("owe", "freeze", "print", "hand_over"):
            due = {} if event == "hand_over" else {"due_on": clock.today(), "pool": "office"}
            make_move(letter, event, **due)


def put_off_too_long() -> None:
    off("screening_exclusion")
    run("UPDATE screening_exclusion SET until = since + 500 WHERE kind = 'postponed'")


def reminded_with_the_kit_here() -> None:
    run("""UPDATE screening_delivery SET arrived_at = '2025-12-02' WHERE id = (SELECT b.delivery_id FROM screening_return b
        JOIN screening_kit k ON k.id = b.kit_id AND k.ordinal = 1 JOIN outreach_letter l ON l.round_id = k.round_id
        AND l.kind = 'reminder' AND l.state = 'handed_over' WHERE b.state <> 'undone' ORDER BY b.id LIMIT 1)""")


def pace_passed_over() -> None:
    off("screening_round")
    run("""UPDATE screening_round SET invited_on = '2026-02-02' WHERE id IN (SELECT r.id FROM screening_round r
        WHERE r.batch_id IS NOT NULL AND r.state = 'closed' ORDER BY r.id LIMIT 9)""")
    run(
        "INSERT INTO screening_invitationpace (per_day, since, note, made_at, made_by_id) VALUES (3, '2026-02-02', '', %s, %s)",
        clock.now(), User.objects.system().pk,
    )  # fmt: skip


def cutoff_with_a_gap() -> None:
    run("UPDATE results_cutoffrule SET ages = '[0,60)'")


def approved_alone() -> None:
    run("ALTER TABLE results_controllot DROP CONSTRAINT control_target_confirmed_by_a_second_person")
    run("UPDATE results_controllot SET confirmed_by_id = entered_by_id WHERE id = (SELECT l.id FROM results_controllot l"
        " WHERE NOT EXISTS (SELECT 1 FROM results_controlreading c WHERE c.control_id = l.id) ORDER BY l.id LIMIT 1)")  # fmt: skip


def sealed_row_altered() -> None:
    seal_night(by=User.objects.system(), day=clock.today())
    off("screening_roundmove")
    run("UPDATE screening_roundmove SET note = 'forged' WHERE id = (SELECT min(id) FROM screening_roundmove)")


def feed_was_old() -> None:
    run("UPDATE screening_registerload SET applied_at = applied_at - interval '60 days' WHERE id > (SELECT min(id) FROM"
        " screening_registerload)")  # fmt: skip


def merged_by_nobody() -> None:
    off("screening_person")
    run("""UPDATE screening_person SET next_due_on = NULL, not_due_code = 'merged',
        merged_into_id = (SELECT min(id) FROM screening_person) WHERE id = (SELECT max(id) FROM screening_person
        WHERE next_due_on IS NOT NULL)""")


def task_of_nobody() -> None:
    pk = one("SELECT id FROM screening_round WHERE state = 'kit_out' ORDER BY id LIMIT 1")
    both("screening_round", "screening_roundmove", pk, "owner_id = NULL, pool = ''")


def lot_unconfirmed() -> None:
    run_ = Run.objects.filter(results__isnull=False).order_by("pk").first()
    assert run_ is not None
    who = cast.member(cast.LABORATORY)
    lot = LabLot.objects.create(
        kind="reagent", name="R", lot="R1", received_on="2025-12-01", expires_on="2027-01-01", entered_by=who
    )
    RunLot.objects.create(run=run_, lot=lot, scanned_at=clock.now(), scanned_by=who)


def death_not_carried_out() -> None:
    off("screening_person")
    run("""UPDATE screening_person SET deceased_on = '2026-06-10', next_due_on = NULL WHERE id = (SELECT r.person_id
        FROM screening_round r WHERE r.state = 'kit_out' AND NOT EXISTS (SELECT 1 FROM outreach_letter l JOIN
        outreach_lettermove m ON m.subject_id = l.id WHERE l.person_id = r.person_id AND m.occurred_at > '2026-06-09')
        ORDER BY r.id LIMIT 1)""")


def drill_failed() -> None:
    run(
        """INSERT INTO oversight_restoredrill (kind, taken_at, checks, violated, ledgers_equal, differences, seal, noted_at, noted_by_id)
        VALUES ('dump', %s, 40, '["I1"]', true, '[]', '', %s, %s)""",
        clock.now(),
        clock.now(),
        User.objects.system().pk,
    )


def row_altered() -> None:
    off("screening_round")
    run(
        "UPDATE screening_round SET pool = 'phone_desk' WHERE id = (SELECT min(id) FROM screening_round WHERE state = 'kit_out')"
    )


def figure_altered() -> None:
    run(
        "UPDATE oversight_fact SET place = 'left' WHERE round_id = (SELECT max(round_id) FROM oversight_fact WHERE place <> 'left')"
    )


def _damage(check: str, do: Callable[[], None], besides: Iterable[str] = ()) -> Damage:
    return Damage(check, do, frozenset(besides))


DAMAGES = [
    _damage("I1", no_referral, ["F1"]),
    _damage("I2", owner_left), _damage("I2", date_too_far), _damage("I3", date_long_past),
    _damage("I4", no_evidence), _damage("I4", evidence_emptied),
    _damage("I5", sent_to_the_dead, ["I16"]), _damage("I5", invited_against_a_stop),
    _damage("I6", control_out), _damage("I7", another_comparison), _damage("I8", another_side, ["F1"]),
    _damage("I9", another_value), _damage("I10", high_letter_never_left), _damage("I10b", below_letter_never_left),
    _damage("I11", came_back_to_the_office), _damage("I12", correction_lost, ["I10", "F1"]),
    _damage("I13", sample_of_another), _damage("I13", two_results_stand), _damage("I14", two_open_rounds),
    _damage("I15", no_next_step), _damage("I15", reason_unfounded), _damage("I16", move_deleted),
    _damage("I17", kit_moved_to_another_lot), _damage("I18", kit_forgotten, ["F1"]), _damage("I19", nothing_after_unsuitable),
    _damage("I20", never_settled), _damage("I21", sent_after_it_came), _damage("I22", too_old_after_all, ["F1"]),
    _damage("I23", running_number_skipped), _damage("I24", typed_alone), _damage("I25", line_unsettled),
    _damage("I26", histology_lost, ["F1"]), _damage("I27", examination_incomplete, ["I28", "F1"]), _damage("I28", another_class, ["F1"]),
    _damage("I29", plan_passed), _damage("I30", told_below_meanwhile), _damage("I31", put_off_too_long),
    _damage("I32", reminded_with_the_kit_here), _damage("I33", pace_passed_over, ["F1"]), _damage("I34", cutoff_with_a_gap), _damage("I35", approved_alone),
    _damage("I37", review_lost), _damage("I37", reviewed_by_who_looked), _damage("I37", opened_without_a_reason),
    _damage("I38", nobody_answers_for_an_account), _damage("I38", confirmed_by_oneself),
    _damage("I36", sealed_row_altered), _damage("I39", feed_was_old), _damage("I40", merged_by_nobody, ["I16"]),
    _damage("I41", task_of_nobody), _damage("I42", lot_unconfirmed), _damage("I43", death_not_carried_out, ["I16"]),
    _damage("I44", drill_failed), _damage("L1", row_altered), _damage("F1", figure_altered),
]  # fmt: skip
