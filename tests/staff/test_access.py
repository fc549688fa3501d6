"""Who looked at whom: one journal row for each person shown, in the reading transaction, never changed."""

import pytest
from django.db import DatabaseError, connection, transaction

from staff.access import look_recorded, require_role
from staff.errors import NotAllowed
from staff.models import AccessEntry, User
from staff.services.clients import client_make
from tests import cast

pytestmark = pytest.mark.usefixtures("region")


def test_each_person_shown_is_journalled_once() -> None:
    who = cast.member(cast.COORDINATOR)
    assert look_recorded(by=who, person_ids=[7, 8, 7], purpose="worklist", place="queue") == 2
    assert set(AccessEntry.objects.values_list("user_id", "person_id")) == {(who.pk, 7), (who.pk, 8)}


def test_the_journal_lives_in_monthly_partitions() -> None:
    look_recorded(by=cast.member(cast.NURSE), person_ids=[1], purpose="call", place="person")
    with connection.cursor() as cursor:
        cursor.execute("SELECT tableoid::regclass::text FROM staff_accessentry")
        assert cursor.fetchone()[0] in {"staff_accessentry_202606", "staff_accessentry_default"}


@pytest.mark.parametrize(
    "statement", ["UPDATE staff_accessentry SET place = ''", "DELETE FROM staff_accessentry"]
)
def test_the_journal_cannot_be_changed(statement: str) -> None:
    with (
        pytest.raises(DatabaseError, match=r"permission denied|append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)


def test_a_role_is_required() -> None:
    require_role(cast.member(cast.CLINICIAN), "clinician", "coordinator")
    with pytest.raises(NotAllowed) as refused:
        require_role(cast.member(cast.FRONT_DESK), "clinician")
    assert refused.value.code == "role_missing"


def test_changes_of_users_leave_history_with_actor() -> None:
    from staff.acting import acting
    from staff.models import Posting, User

    admin = cast.member(cast.ADMINISTRATOR)
    with acting(admin, reason="moved to the phone desk"):
        User.objects.filter(username=cast.FRONT_DESK).update(full_name="Brisa Tolvemir-Keff")
        Posting.objects.filter(user__username=cast.FRONT_DESK).delete()
    row = User.pgh_event_model.objects.filter(pgh_label="update").get()
    assert (row.full_name, row.pgh_context["actor"]) == ("Brisa Tolvemir-Keff", admin.pk)
    assert row.pgh_context["reason"] == "moved to the phone desk"
    assert Posting.pgh_event_model.objects.filter(pgh_label="delete").count() == 1


def test_a_program_is_nobodys_colleague() -> None:
    client_make(
        by=cast.member(cast.ADMINISTRATOR),
        name="Analyser bridge",
        about="hall 2",
        role="laboratory",
        site=None,
        days=30,
    )
    found = User.objects.colleagues("laboratory")
    assert set(found.values_list("username", flat=True)) >= {cast.LABORATORY, cast.LAB_LEAD}
    assert not found.filter(full_name="Analyser bridge").exists()
    assert list(found) == sorted(found, key=lambda one: one.full_name)
