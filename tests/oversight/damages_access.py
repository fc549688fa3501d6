"""Damages to who looks and who may sign in, each in the one way its check guards against."""

from tests.oversight.damaging import off, one, run

REVIEWED = """SELECT v.look_id FROM screening_lookreview v WHERE v.in_order AND v.replaces_id IS NULL
    AND NOT EXISTS (SELECT 1 FROM screening_lookreview o WHERE o.replaces_id = v.id) ORDER BY v.id LIMIT 1"""


def review_lost() -> None:
    look = one(REVIEWED)
    off("screening_lookreview")
    run("DELETE FROM screening_lookreview WHERE look_id = %s", look)


def reviewed_by_who_looked() -> None:
    look = one(REVIEWED)
    off("screening_lookreview")
    run(
        "UPDATE screening_lookreview SET reviewed_by_id = (SELECT user_id FROM screening_reasonedlook WHERE id = %s)"
        " WHERE look_id = %s", look, look,
    )  # fmt: skip


def opened_without_a_reason() -> None:
    look = one(REVIEWED)
    off("screening_reasonedlook")
    run("ALTER TABLE screening_reasonedlook DROP CONSTRAINT opened_record_has_a_reason")
    run("UPDATE screening_reasonedlook SET purpose = '' WHERE id = %s", look)


def nobody_answers_for_an_account() -> None:
    user = one("SELECT user_id FROM staff_accountconfirmation ORDER BY id LIMIT 1")
    off("staff_accountconfirmation")
    run("DELETE FROM staff_accountconfirmation WHERE user_id = %s", user)


def confirmed_by_oneself() -> None:
    user = one("SELECT user_id FROM staff_accountconfirmation ORDER BY id LIMIT 1")
    off("staff_accountconfirmation")
    run("ALTER TABLE staff_accountconfirmation DROP CONSTRAINT nobody_confirms_the_own_account")
    run("ALTER TABLE staff_accountconfirmation DROP CONSTRAINT one_confirmation_a_day_and_person")
    run("UPDATE staff_accountconfirmation SET by_id = user_id WHERE user_id = %s", user)
