"""Hazards of the mail (H14 to H17 of the hazard log) arriving at each stage: what R1 stops stays, what it lets through goes."""

import io
from collections.abc import Callable
from datetime import timedelta

import pypdf
import pytest

from outreach.models import Letter, LetterTodo, PrintRun
from outreach.services.freezing import letters_freeze
from outreach.services.planning import letters_plan
from outreach.services.print_runs import print_run_hand_over, print_run_make, print_run_pull, pulls_of
from outreach.services.rendering import letter_render, print_run_render
from results.models import ReferralResult, Result
from screening.models import Person, Round
from screening.services.people import stop_record
from staff import clock
from staff.acting import acting
from staff.errors import RoundbookError
from tests.factories import a_round, by_default
from tests.outreach.makers import a_patient, a_result

pytestmark = pytest.mark.usefixtures("region")
STAGES = ("before planning", "before freezing", "before printing", "before the hand-over")


def dies(person: Person) -> None:
    Person.objects.filter(pk=person.pk).update(deceased_on=clock.today(), next_due_on=None)


def opts_out(person: Person) -> None:
    stop_record(by=by_default(), person=person, scope="invitations", source="call")


def no_texts(person: Person) -> None:
    stop_record(by=by_default(), person=person, scope="text", source="call")


def no_copies(person: Person) -> None:
    stop_record(by=by_default(), person=person, scope="doctor_copy", source="call")


def amended(person: Person) -> None:
    """The deciding result is replaced by a newer version (H14)."""
    with acting(by_default()):
        old = Result.objects.get(person=person, is_deciding=True)
        Result.objects.filter(pk=old.pk).update(is_current=False, is_deciding=False)
        new = Result.objects.get(pk=old.pk)
        new.pk, new.version, new.is_current, new.is_deciding = None, old.version + 1, True, True
        new.reported_ug_g = old.reported_ug_g + 1
        new.save(force_insert=True)
        if new.side == "at_or_above":
            ReferralResult.objects.create(referral=old.referral_link.referral, result=new)


def _person(kind: str) -> Person:
    """Somebody to whom a letter of this kind is about to be owed."""
    if kind == "invitation":
        return a_round(a_patient(), sent_days_ago=1).person
    if kind == "reminder":
        return a_round(a_patient(), sent_days_ago=40).person
    value = "64.2" if kind == "result_more_tests" else "3.0"
    return a_result(value, authorised=clock.today() - timedelta(days=2)).person


def _carried_through(
    kind: str, what: Callable[[Person], None], stage: str
) -> tuple[set[int], Person, set[int]]:
    """(the letters there were when it happened, whose they are, those that left): the whole way of one letter."""
    person, by = _person(kind), by_default()
    seen: set[int] = set()

    def happens(at: str) -> None:
        if at == stage:
            seen.update(Letter.objects.filter(person=person, kind=kind).values_list("pk", flat=True))
            what(person)

    happens("before planning")
    letters_plan(by=by)
    happens("before freezing")
    letters_freeze(by=by)
    happens("before printing")
    run = print_run_make(by=by)
    happens("before the hand-over")
    if run.letters_count:
        PrintRun.objects.filter(pk=run.pk).update(status="ready")
        for printed in run.printed.filter(letter__in=pulls_of(run)):
            print_run_pull(by=by, print_run=run, token=printed.token)
        print_run_hand_over(by=by, print_run=run)
    left = Letter.objects.filter(person=person, kind=kind, state="handed_over")
    return seen, person, set(left.values_list("pk", flat=True))


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize(
    ("kind", "what"),
    [
        ("invitation", dies), ("reminder", dies), ("result_below", dies), ("result_more_tests", dies),
        ("invitation", opts_out), ("reminder", opts_out), ("doctor_copy", no_copies),
    ],
)  # fmt: skip
def test_what_a_stop_covers_does_not_leave(kind: str, what: Callable[[Person], None], stage: str) -> None:
    # Source: hazards H15 and H16 and ruling R1 of the programme, common practice, no source.
    _seen, person, left = _carried_through(kind, what, stage)
    assert left == set()
    states = set(Letter.objects.filter(person=person, kind=kind).values_list("state", flat=True))
    held = kind == "result_more_tests"
    assert states <= ({"held"} if held else {"cancelled"})
    if held:
        letter = Letter.objects.get(person=person, kind=kind)
        assert (letter.due_on, letter.owner is not None) == (clock.today(), True), (
            "a same-day task of a named person"
        )


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize(
    ("kind", "what"),
    [
        ("result_below", opts_out), ("result_more_tests", opts_out), ("doctor_copy", opts_out), ("invitation", no_texts),
        ("reminder", no_copies), ("result_below", no_copies), ("result_more_tests", no_copies),
    ],
)  # fmt: skip
def test_what_a_stop_does_not_cover_leaves(kind: str, what: Callable[[Person], None], stage: str) -> None:
    _seen, _who, left = _carried_through(kind, what, stage)
    assert len(left) == 1


@pytest.mark.parametrize("stage", STAGES[1:])
@pytest.mark.parametrize("kind", ["result_below", "result_more_tests", "doctor_copy"])
def test_an_amended_result_never_leaves_in_its_old_words(kind: str, stage: str) -> None:
    # Source: hazard H14.
    seen, person, left = _carried_through(kind, amended, stage)
    assert seen
    assert not seen & left
    assert set(Letter.objects.filter(pk__in=seen).values_list("state", flat=True)) == {"superseded"}
    letters_plan(by=by_default())
    letters_freeze(by=by_default())
    new = Letter.objects.filter(person=person, kind=kind).exclude(pk__in=seen)
    assert [one.result.version for one in new] == [2], "the new result has a letter of its own"


def test_what_left_before_the_amendment_is_followed_by_a_correction() -> None:
    person = _person("result_below")
    letters_plan(by=by_default())
    letters_freeze(by=by_default())
    print_run_hand_over(by=by_default(), print_run=print_run_make(by=by_default()), without_document=True)
    amended(person)
    round_ = Round.objects.get(person=person)
    LetterTodo.objects.create(source="round", subject_id=round_.pk, event="raise")
    letters_plan(by=by_default())
    told = Letter.objects.get(person=person, kind="corrected_result")
    assert told.state == "held", "by phone first"
    assert Letter.objects.filter(person=person, kind="result_below").count() == 1


def test_a_print_file_that_lost_a_page_is_noticed_before_it_is_sealed() -> None:
    """H17: the address of A with the words of B: every page names its own letter, and the pages are counted."""
    for _n in range(3):
        a_round(a_patient(), sent_days_ago=1)
    letters_plan(by=by_default())
    letters_freeze(by=by_default())
    run = print_run_render(by=by_default(), print_run=print_run_make(by=by_default()))
    whole = pypdf.PdfReader(io.BytesIO(bytes(run.document.content)))
    truncated = [page.extract_text() for n, page in enumerate(whole.pages) if n != 2]
    tokens = [place.token for place in run.printed.order_by("position") for _page in range(place.pages)]
    assert [token in text for token, text in zip(tokens, truncated, strict=False)] == [
        True,
        True,
        True,
        False,
        True,
    ]
    assert len(truncated) != run.pages_count


@pytest.mark.parametrize("kind", ["invitation", "result_more_tests"])
def test_a_letter_that_was_changed_after_it_was_frozen_is_not_printed(kind: str) -> None:
    person = _person(kind)
    letters_plan(by=by_default())
    letters_freeze(by=by_default())
    letter = Letter.objects.get(person=person, kind=kind)
    Letter.objects.filter(pk=letter.pk).update(context=letter.context | {"name": "Somebody Else"})
    letter.refresh_from_db()
    with pytest.raises(RoundbookError) as refused:
        letter_render(letter=letter)
    assert refused.value.code == "letter_changed"
