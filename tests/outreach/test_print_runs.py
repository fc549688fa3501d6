"""Print runs: exactly once, whatever dies; held letters; hand-over at most once."""

import io
import threading
from datetime import timedelta

import pypdf
import pytest
from django.db import connection, connections

from outreach.letters import render
from outreach.models import Letter, PrintDocument, PrintedLetter, PrintRun
from outreach.services import rendering
from outreach.services.freezing import letters_freeze
from outreach.services.held import letter_cancel, letter_release
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make, print_run_pull
from outreach.services.rendering import letter_render, print_run_render, print_runs_waiting
from screening.models import Person, Round
from staff import clock
from staff.acting import acting
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.ledger.moves import make_move
from tests import cast
from tests.factories import a_person, a_round, by_default
from tests.outreach.makers import a_patient, a_result, an_attempt, frozen, planned


def invitations(count: int) -> list[Letter]:
    """So many frozen invitations."""
    for _n in range(count):
        a_round(a_patient(), sent_days_ago=1)
    return frozen("invitation")


@pytest.mark.usefixtures("region")
def test_a_frozen_letter_keeps_what_was_true_when_it_was_frozen() -> None:
    (letter,) = invitations(1)
    Person.objects.filter(pk=letter.person_id).update(family_name="Married")
    assert letter.kit is not None
    assert letter.context["serial"] == letter.kit.serial
    assert letter.text_version == "invitation-1-en"
    page = pypdf.PdfReader(io.BytesIO(letter_render(letter=letter).content)).pages[0].extract_text()
    assert letter.context["name"] in page
    assert "Married" not in page


@pytest.mark.usefixtures("region")
def test_the_persons_language_is_used_where_there_is_a_text() -> None:
    for language in ("ar", "fr", ""):
        a_round(a_patient(language=language), sent_days_ago=1)
    assert [x.language for x in frozen("invitation")] == ["ar", "en", "en"]


@pytest.mark.usefixtures("region")
def test_a_letter_that_cannot_be_greeted_is_held_for_the_office() -> None:
    a_round(a_patient(given_names="{{ name }}"), sent_days_ago=1)
    assert not frozen()
    letter = Letter.objects.get()
    assert (letter.state, letter.pool, letter.moves.latest("seq").reason) == (
        "held",
        "office",
        "letter_unresolved",
    )


@pytest.mark.usefixtures("region")
def test_an_invitation_waits_for_its_kit() -> None:
    round_ = a_round(state="kit_due", sent_days_ago=0)
    kit = round_.kits.get()
    planned()
    type(kit).objects.filter(pk=kit.pk).update(void_on=clock.today(), void_reason="damaged")
    assert letters_freeze(by=by_default()) == 0


@pytest.mark.usefixtures("region")
def test_a_run_holds_each_letter_once_and_its_pages_add_up() -> None:
    invitations(3)
    run = print_run_render(by=by_default(), print_run=print_run_make(by=by_default()))
    places = list(run.printed.values_list("position", "first_page", "pages"))
    assert places == [(1, 1, 2), (2, 3, 2), (3, 5, 2)]
    assert (run.status, run.letters_count, run.pages_count) == ("ready", 3, 6)
    assert len(pypdf.PdfReader(io.BytesIO(run.document.content)).pages) == 6
    assert print_run_make(by=by_default()).status == "empty"


@pytest.mark.usefixtures("region")
def test_handing_over_twice_is_once() -> None:
    invitations(2)
    run = print_run_render(by=by_default(), print_run=print_run_make(by=by_default()))
    assert print_run_hand_over(by=by_default(), print_run=run) == 2
    assert print_run_hand_over(by=by_default(), print_run=run) == 0
    assert {x.moves.filter(event="hand_over").count() for x in Letter.objects.all()} == {1}


@pytest.mark.usefixtures("region")
def test_a_run_without_a_document_is_not_handed_over_by_hand() -> None:
    invitations(1)
    run = print_run_make(by=by_default())
    with pytest.raises(RoundbookError) as refused:
        print_run_hand_over(by=by_default(), print_run=run)
    assert refused.value.code == "not_printed"
    assert print_run_hand_over(by=by_default(), print_run=run, without_document=True) == 1
    assert print_run_render(by=by_default(), print_run=run).pages_count == 2, "its document can be made later"


@pytest.mark.usefixtures("region")
def test_a_renderer_that_dies_leaves_a_run_that_the_next_sweep_takes_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    invitations(2)
    run = print_run_make(by=by_default())

    def dies(*_args: object, **_words: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(rendering, "letters_render", dies)
        with pytest.raises(KeyboardInterrupt):
            print_run_render(by=by_default(), print_run=run)
    assert print_runs_waiting() == [], "the lease of the dead worker still runs"
    assert print_run_render(by=by_default(), print_run=run).status == "collecting", "so nobody else takes it"
    with clock.at(clock.now() + timedelta(minutes=21)):
        assert print_runs_waiting() == [run.pk]
        done = print_run_render(by=by_default(), print_run=run)
        again = print_run_render(by=by_default(), print_run=run)
    assert (done.status, again.sha256) == ("ready", done.sha256)
    assert PrintDocument.objects.filter(print_run=run).count() == 1
    assert PrintedLetter.objects.filter(print_run=run).count() == 2


@pytest.mark.usefixtures("region")
def test_a_failed_layout_is_tried_again_and_at_last_waits_for_a_person(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    invitations(1)
    run = print_run_make(by=by_default())

    def lacks_a_library(*_args: object, **_words: object) -> None:
        raise OSError("cannot load library 'libpango-1.0-0'")

    monkeypatch.setattr(rendering, "letters_render", lacks_a_library)
    for nth in range(1, rendering.ATTEMPTS + 1):
        assert print_runs_waiting() == [run.pk]
        with pytest.raises(OSError, match="pango"):
            print_run_render(by=by_default(), print_run=run)
        run.refresh_from_db()
        assert run.attempts == nth
    assert print_runs_waiting() == []
    assert set(Letter.objects.values_list("state", flat=True)) == {"printed"}, "nothing is lost meanwhile"


@pytest.mark.usefixtures("region")
def test_a_letter_that_nothing_stops_cannot_be_pulled() -> None:
    invitations(1)
    run = print_run_make(by=by_default())
    token = run.printed.get().token
    with pytest.raises(RoundbookError) as refused:
        print_run_pull(by=by_default(), print_run=run, token=token)
    assert refused.value.code == "not_stopped"
    with pytest.raises(RoundbookError) as refused:
        print_run_pull(by=by_default(), print_run=run, token=f"{run.pk}-2-A")
    assert refused.value.code == "token_unknown"


@pytest.mark.usefixtures("region")
def test_the_doctors_copy_waits_for_the_first_call_and_the_persons_letter() -> None:
    result = a_result("64.2", authorised=clock.today() - timedelta(days=2))
    assert {x.kind for x in frozen()} == {"result_more_tests"}
    an_attempt(result)
    assert {x.kind for x in frozen()} == {"result_more_tests", "doctor_copy"}
    assert print_run_make(by=by_default(), kind="doctor_copy").status == "empty", (
        "the person's letter goes first"
    )
    persons = print_run_make(by=by_default(), kind="result_more_tests")
    doctors = print_run_make(by=by_default(), kind="doctor_copy")
    with pytest.raises(RoundbookError) as refused:
        print_run_hand_over(by=by_default(), print_run=doctors, without_document=True)
    assert refused.value.code == "person_first"
    assert print_run_hand_over(by=by_default(), print_run=persons, without_document=True) == 1
    assert print_run_hand_over(by=by_default(), print_run=doctors, without_document=True) == 1


@pytest.mark.usefixtures("region")
def test_the_doctor_is_told_in_the_end_even_when_nobody_calls() -> None:
    a_result("64.2", authorised=clock.today() - timedelta(days=7))
    assert "doctor_copy" in {x.kind for x in frozen()}


@pytest.mark.usefixtures("region")
def test_a_coordinator_lets_a_held_letter_go_with_a_note() -> None:
    result = a_result(
        "64.2", round_=a_round(a_patient(hidden_address=True)), authorised=clock.today() - timedelta(days=2)
    )
    assert not frozen("result_more_tests")
    letter = Letter.objects.get(kind="result_more_tests", result=result)
    assert letter.state == "held"
    with pytest.raises(NotAllowed):
        letter_release(by=cast.member(cast.PHONE_DESK), letter=letter, note="looks fine")
    with pytest.raises(RoundbookError) as refused:
        letter_release(by=cast.member(cast.COORDINATOR), letter=letter, note=" ")
    assert refused.value.code == "note_missing"
    letter_release(by=cast.member(cast.COORDINATOR), letter=letter, note="Taken there by hand")
    (letter,) = frozen("result_more_tests")
    assert letter.context["address"] == ["Protected address: hand to the coordinator"]
    assert "Mill Lane" not in str(letter.context)


@pytest.mark.usefixtures("region")
def test_what_must_be_put_right_first_cannot_be_let_go() -> None:
    round_ = a_round(a_patient(address_1="", address_2=""), sent_days_ago=1)
    planned()
    letter = Letter.objects.get(round=round_)
    with pytest.raises(RoundbookError) as refused:
        letter_release(by=by_default(), letter=letter, note="go")
    assert refused.value.code == "still_stopped"
    Person.objects.filter(pk=letter.person_id).update(address_1="1 Mill Lane")
    assert letter_release(by=by_default(), letter=letter, note="address found").state == "owed"
    with pytest.raises(IllegalMove):
        letter_release(by=by_default(), letter=letter, note="again")


@pytest.mark.usefixtures("region")
def test_a_pulled_letter_may_be_printed_again_after_a_look() -> None:
    (letter,) = invitations(1)
    run = print_run_make(by=by_default())
    Person.objects.filter(pk=letter.person_id).update(address_1="")
    print_run_pull(by=by_default(), print_run=run, token=run.printed.get().token)
    Person.objects.filter(pk=letter.person_id).update(address_1="2 Mill Lane")
    letter_release(by=by_default(), letter=letter, note="new address")
    letters_freeze(by=by_default())
    second = print_run_make(by=by_default())
    assert second.letters_count == 1
    assert sorted(letter.printed.values_list("pulled", flat=True)) == ["", "no_address"]
    letter.refresh_from_db()
    assert "2 Mill Lane" in letter.context["address"]


@pytest.mark.usefixtures("region")
def test_cancelling_a_held_letter_needs_a_note_and_keeps_the_reason() -> None:
    a_round(a_patient(hidden_address=True), sent_days_ago=1)
    planned()
    letter = Letter.objects.get()
    letter = letter_cancel(by=by_default(), letter=letter, note="Told by phone")
    assert (letter.state, letter.close_reason) == ("cancelled", "hidden_address")


@pytest.mark.usefixtures("region")
def test_too_many_letters_are_not_laid_out_as_one_document() -> None:
    invitations(1)
    run = print_run_make(by=by_default())
    PrintRun.objects.filter(pk=run.pk).update(letters_count=401)
    with pytest.raises(RoundbookError) as refused:
        print_run_render(by=by_default(), print_run=run)
    assert refused.value.code == "too_many_letters"


def test_weasyprint_is_not_loaded_by_loading_the_renderer() -> None:
    assert "weasyprint" not in vars(render)


def _lay_down() -> None:
    from oversight.rehearsal.setting import region_lay_down
    from tests.conftest import FIRST_DAY

    region_lay_down(first_day=FIRST_DAY, password="tarnuvek-practice")


@pytest.mark.usefixtures("fresh_db")
def test_a_round_that_commits_late_is_not_skipped() -> None:
    """Transaction 1 writes its to-do first and commits last; the planner runs in between."""
    _lay_down()
    opened, go_on = threading.Event(), threading.Event()

    def slow() -> None:
        with clock.at(clock.moment(clock.today(), 12)), acting(by_default()):
            a_round(a_person(), sent_days_ago=1)
            opened.set()
            assert go_on.wait(30)
        connections.close_all()

    thread = threading.Thread(target=slow)
    thread.start()
    assert opened.wait(30)
    a_round(a_person(), sent_days_ago=1)
    assert letters_plan(by=by_default())["invitation"] == 1
    go_on.set()
    thread.join(30)
    assert letters_plan(by=by_default())["invitation"] == 1
    assert Letter.objects.count() == Round.objects.count() == 2


@pytest.mark.usefixtures("fresh_db")
def test_two_planners_at_once_owe_each_letter_once() -> None:
    _lay_down()
    for _n in range(6):
        a_round(a_person(), sent_days_ago=1)
    now = clock.now()

    def plan() -> None:
        with clock.at(now):
            letters_plan(by=by_default(), chunk=2)
        connections.close_all()

    threads = [threading.Thread(target=plan) for _n in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert Letter.objects.filter(state="owed").count() == 6
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM outreach_lettertodo")
        assert cursor.fetchone() == (0,)


@pytest.mark.usefixtures("fresh_db")
def test_two_workers_never_leave_two_documents() -> None:
    _lay_down()
    invitations(2)
    run = print_run_make(by=by_default())
    now = clock.now()
    errors: list[BaseException] = []

    def work() -> None:
        try:
            with clock.at(now):
                print_run_render(by=by_default(), print_run=run)
        except BaseException as trouble:  # noqa: BLE001 - handed to the test's own thread
            errors.append(trouble)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=work) for _n in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert not errors
    assert PrintDocument.objects.filter(print_run=run).count() == 1


@pytest.mark.usefixtures("region")
def test_a_result_letter_leaves_although_its_round_is_closed() -> None:
    a_result("3.0")
    assert {x.kind for x in frozen()} == {"result_below", "doctor_copy"}


@pytest.mark.usefixtures("region")
def test_a_round_that_closes_takes_the_reminder_with_it() -> None:
    round_ = a_round(a_patient(), sent_days_ago=40)
    (letter,) = planned("reminder")
    with acting(by_default()):
        make_move(round_, "close", reason="declined")
    letters_freeze(by=by_default())
    letter.refresh_from_db()
    assert letter.close_reason == "round_over"
