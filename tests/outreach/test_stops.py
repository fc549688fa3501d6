"""The stop rule over every kind and every stop, and what each stage does with it."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from outreach.catalogue import KINDS
from outreach.kinds import CLEARABLE, Outcome, StopCode
from outreach.models import Letter, PrintedLetter, PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make, print_run_pull, pulls_of
from outreach.services.rendering import print_run_render
from outreach.stops import Facts, stop_for
from results.models import Referral, Result
from screening.models import Exclusion, Kit, Person, Round, Stop
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from staff.ledger.moves import make_move
from tests.factories import a_person, a_ready_return, a_round, by_default
from tests.outreach.makers import a_patient, a_result, frozen, planned

FINE = Facts(round_state="kit_out")
WRONG: dict[StopCode, dict[str, Any]] = {
    StopCode.RESULT_SUPERSEDED: {"result_current": False},
    StopCode.REASON_OVERTAKEN: {"reason_overtaken": True},
    StopCode.DIED: {"died": True},
    StopCode.MERGED: {"merged": True},
    StopCode.DUPLICATE: {"duplicate": True},
    StopCode.OPTED_OUT: {"opted_out": True},
    StopCode.LEFT_AREA: {"left_area": True},
    StopCode.ROUND_OVER: {"round_state": "result_due"},
    StopCode.KIT_BACK: {"kit_back": True},
    StopCode.QUESTION_ANSWERED: {"question_answered": True},
    StopCode.MOVED_ON: {"moved_on": True},
    StopCode.OBJECTS_CHANNEL: {"objects_channel": True},
    StopCode.NO_CONSENT: {"no_consent": True},
    StopCode.KIT_VOID: {"kit_void": True},
    StopCode.OBJECTS_DOCTOR_COPY: {"objects_doctor_copy": True},
    StopCode.EARLIER_QUESTION_OPEN: {"earlier_question_open": True},
    StopCode.IN_SURVEILLANCE: {"in_surveillance": True},
    StopCode.UNDER_LOOK_BACK: {"under_look_back": True},
    StopCode.TOLD_BELOW_BEFORE: {"told_below_before": True},
    StopCode.CANCER_FOUND: {"cancer_found": True},
    StopCode.TELL_BY_PHONE_FIRST: {"tell_by_phone_first": True},
    StopCode.NO_PRACTICE: {"has_practice": False},
    StopCode.HIDDEN_ADDRESS: {"hidden_address": True},
    StopCode.NO_ADDRESS: {"has_address": False},
}


@pytest.mark.parametrize("side", ["", "below", "at_or_above"])
@pytest.mark.parametrize("kind", list(KINDS))
def test_every_stop_has_its_scope(kind: str, side: str) -> None:
    # Source: ruling R1 of the programme (stops have a scope), common practice, no source.
    found = {code: stop_for(KINDS[kind], replace(FINE, side=side, **facts)) for code, facts in WRONG.items()}
    assert {code: stop.outcome for code, stop in found.items() if stop} == KINDS[kind].stops_for(side)


@pytest.mark.parametrize(
    "kind", [k for k in KINDS if k in ("result_below", "result_more_tests", "doctor_copy")]
)
def test_an_opt_out_never_stops_a_result(kind: str) -> None:
    assert stop_for(KINDS[kind], replace(FINE, opted_out=True, side="below", round_state="closed")) is None


@pytest.mark.parametrize(
    "code", [StopCode.DIED, StopCode.MERGED, StopCode.HIDDEN_ADDRESS, StopCode.NO_ADDRESS, StopCode.LEFT_AREA]
)
def test_a_stopped_at_or_above_letter_always_becomes_a_task(code: StopCode) -> None:
    stop = stop_for(KINDS["result_more_tests"], replace(FINE, side="at_or_above", **WRONG[code]))
    assert stop is not None
    assert stop.outcome is Outcome.HOLD_COORDINATORS


@pytest.mark.parametrize("code", list(StopCode))
def test_only_what_a_person_may_judge_can_be_let_pass(code: StopCode) -> None:
    for kind in KINDS.values():
        facts = replace(FINE, cleared=frozenset({code.value}), **WRONG[code])
        assert (stop_for(kind, facts) is None) == (code in CLEARABLE or code not in kind.stops)


def _dies(letter: Letter) -> None:
    Person.objects.filter(pk=letter.person_id).update(deceased_on=clock.today(), next_due_on=None)


def _opts_out(letter: Letter) -> None:
    Stop.objects.create(person=letter.person, scope="invitations", since=clock.today(), source="call")


def _objects(letter: Letter) -> None:
    Stop.objects.create(person=letter.person, scope="doctor_copy", since=clock.today(), source="call")


def _leaves(letter: Letter) -> None:
    Person.objects.filter(pk=letter.person_id).update(left_area_on=clock.today())


def _hides(letter: Letter) -> None:
    Person.objects.filter(pk=letter.person_id).update(hidden_address=True)


def _loses_address(letter: Letter) -> None:
    Person.objects.filter(pk=letter.person_id).update(address_1="", postcode="")


def _is_merged(letter: Letter) -> None:
    Person.objects.filter(pk=letter.person_id).update(merged_into=a_person())


def _result_withdrawn(letter: Letter) -> None:
    Result.objects.filter(pk=letter.result_id).update(is_current=False, is_deciding=False)


def _kit_comes_back(letter: Letter) -> None:
    assert letter.round is not None
    a_ready_return(letter.round)


def _kit_is_void(letter: Letter) -> None:
    Kit.objects.filter(round_id=letter.round_id).update(void_on=clock.today(), void_reason="lost")


def _round_closes(letter: Letter) -> None:
    make_move(Round.objects.get(pk=letter.round_id), "close", reason="declined")


def _earlier_question(letter: Letter) -> None:
    referral = Referral.objects.create(person=letter.person, opened_on=clock.today())
    make_move(referral, "open", due_on=clock.today(), pool="coordinators")


def _told_below(letter: Letter) -> None:
    earlier = Letter.objects.create(
        kind="result_below", key=f"told:{letter.pk}", person=letter.person, round=letter.round, text_version="result_below-1-en",
        context={}, checksum="x",
    )  # fmt: skip
    for event in ("owe", "freeze", "print"):
        make_move(earlier, event, due_on=clock.today(), pool="office")
    make_move(earlier, "hand_over")


def _surveillance(letter: Letter) -> None:
    Exclusion.objects.create(
        person=letter.person,
        kind="surveillance",
        since=clock.today(),
        until=clock.today() + timedelta(days=9),
    )


def _loses_practice(letter: Letter) -> None:
    Letter.objects.filter(pk=letter.pk).update(practice=None)
    Person.objects.filter(pk=letter.person_id).update(practice=None)


def _twin(letter: Letter) -> None:
    older = Letter(
        kind=letter.kind, key=letter.key + "~", person=letter.person, round=letter.round, result=letter.result
    )
    older.pk = letter.pk - 100_000
    older.save(force_insert=True)
    make_move(older, "owe", due_on=clock.today(), pool="office")


CASES = [
    ("invitation", _dies, "died", "cancelled"),
    ("invitation", _opts_out, "opted_out", "cancelled"),
    ("invitation", _leaves, "left_area", "cancelled"),
    ("invitation", _is_merged, "merged", "cancelled"),
    ("invitation", _hides, "hidden_address", "held"),
    ("invitation", _loses_address, "no_address", "held"),
    ("invitation", _round_closes, "round_over", "cancelled"),
    ("invitation", _kit_is_void, "kit_void", "held"),
    ("reminder", _kit_comes_back, "round_over", "cancelled"),
    ("reminder", _opts_out, "opted_out", "cancelled"),
    ("result_below", _dies, "died", "cancelled"),
    ("result_below", _result_withdrawn, "result_superseded", "superseded"),
    ("result_below", _earlier_question, "earlier_question_open", "held"),
    ("result_below", _surveillance, "in_surveillance", "held"),
    ("result_more_tests", _dies, "died", "held"),
    ("result_more_tests", _loses_address, "no_address", "held"),
    ("result_more_tests", _told_below, "told_below_before", "held"),
    ("result_more_tests", _result_withdrawn, "result_superseded", "superseded"),
    ("doctor_copy", _objects, "objects_doctor_copy", "cancelled"),
    ("doctor_copy", _loses_practice, "no_practice", "held"),
    ("doctor_copy", _dies, "died", "cancelled"),
]  # fmt: skip


def _a_letter(kind: str) -> Letter:
    """A newly owed letter of the kind."""
    if kind in ("invitation", "reminder"):
        round_ = a_round(a_patient(), state="kit_out", sent_days_ago=40 if kind == "reminder" else 1)
    else:
        value = "64.2" if kind == "result_more_tests" else "3.0"
        round_ = a_result(value, authorised=clock.today() - timedelta(days=2)).round
    (letter,) = planned(kind, round=round_)
    return letter


def _happens(what: Any, letter: Letter) -> None:
    with acting(by_default()):
        what(letter)


def _named(cases: list[Letter]) -> dict[str, tuple[str, str]]:
    """What became of the letter of each case, and why."""
    found = {}
    for letter, (kind, what, _reason, _state) in zip(cases, CASES, strict=True):
        letter.refresh_from_db()
        found[f"{kind}{what.__name__}"] = (letter.state, letter.moves.latest("seq").reason)
    return found


WANTED = {f"{kind}{what.__name__}": (state, reason) for kind, what, reason, state in CASES}


def _all_happen(cases: list[Letter]) -> None:
    for letter, (_kind, what, _reason, _state) in zip(cases, CASES, strict=True):
        _happens(what, letter)


@pytest.mark.usefixtures("region")
def test_every_stop_before_freezing() -> None:
    cases = [_a_letter(kind) for kind, *_rest in CASES]
    _all_happen(cases)
    letters_freeze(by=by_default())
    assert _named(cases) == WANTED | {"invitation_kit_is_void": ("owed", "open")}, (
        "a void kit: it waits for the new one"
    )


@pytest.mark.usefixtures("region")
def test_every_stop_before_printing() -> None:
    cases = [_a_letter(kind) for kind, *_rest in CASES]
    letters_freeze(by=by_default())
    assert {state for state, _why in _named(cases).values()} == {"frozen"}
    _all_happen(cases)
    run = print_run_make(by=by_default())
    assert _named(cases) == WANTED
    assert not run.printed.filter(letter__in=cases).exists()


@pytest.mark.usefixtures("region")
def test_every_stop_at_the_sealing_desk() -> None:
    cases = [_a_letter(kind) for kind, *_rest in CASES]
    letters_freeze(by=by_default())
    run = print_run_make(by=by_default())
    PrintRun.objects.filter(pk=run.pk).update(status="ready")
    _all_happen(cases)
    stopped = pulls_of(run)
    assert {letter.pk for letter in cases} <= set(stopped)
    with pytest.raises(RoundbookError) as refused:
        print_run_hand_over(by=by_default(), print_run=run)
    assert refused.value.code == "pull_first"
    for printed in PrintedLetter.objects.filter(letter__in=stopped):
        print_run_pull(by=by_default(), print_run=run, token=printed.token)
    left = print_run_hand_over(by=by_default(), print_run=run)
    assert left == run.letters_count - len(stopped)
    assert _named(cases) == WANTED, "what was pulled stayed"


@pytest.mark.usefixtures("region")
def test_a_held_at_or_above_letter_is_a_same_day_task_of_the_owner_of_the_referral() -> None:
    letter = _a_letter("result_more_tests")
    _happens(_dies, letter)
    letters_freeze(by=by_default())
    letter.refresh_from_db()
    assert letter.owner is not None
    assert (letter.owner.username, letter.pool, letter.due_on) == ("kaddrin", "", clock.today())


@pytest.mark.usefixtures("region")
def test_a_stop_that_is_true_at_planning_is_kept_with_its_reason() -> None:
    round_ = a_round(state="kit_due", sent_days_ago=0)
    with acting(by_default()):
        Person.objects.filter(pk=round_.person_id).update(deceased_on=clock.today(), next_due_on=None)
    assert letters_plan(by=by_default())["cancel"] == 1
    letter = Letter.objects.get()
    assert (letter.state, letter.close_reason) == ("cancelled", "died")


@pytest.mark.usefixtures("region")
def test_a_second_letter_of_the_same_kind_is_a_duplicate() -> None:
    letter = _a_letter("result_below")
    _happens(_twin, letter)
    letters_freeze(by=by_default())
    letter.refresh_from_db()
    assert letter.close_reason == "duplicate"


@pytest.mark.usefixtures("region")
def test_nothing_stops_a_letter_that_may_go() -> None:
    a_result("64.2", authorised=clock.today() - timedelta(days=2))
    assert {x.kind for x in frozen()} == {"result_more_tests"}, "the doctor's copy waits for the first call"
    run = print_run_render(by=by_default(), print_run=print_run_make(by=by_default()))
    assert print_run_hand_over(by=by_default(), print_run=run) == 1
