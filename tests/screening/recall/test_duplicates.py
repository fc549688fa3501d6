"""Records that may be one person: found by weight, told apart for good or merged by two, and every row back when taken apart.

Sources: Fellegi and Sunter (1969), "A theory for record linkage", J. Am. Stat. Assoc. 64: the weight of a field is
log2(m / u); the programme's job description 2.1 (exceptions 1 and 2), 2.19 (exception 6), ruling R14, hazards H26 and H27.
"""

import math
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.apps import apps
from django.db import connection
from django.test import Client
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st

from screening.access import person_open
from screening.likeness import LISTED_FROM, SHARES, Level, Record, likeness
from screening.models import Person, PersonMerge, PossibleDuplicate, Round
from screening.services.due import due_dates_refresh, person_eligibility
from screening.services.duplicates import (
    duplicate_different,
    duplicates_find,
    duplicates_open,
    look_alikes,
    merge_ask,
    merge_decide,
    merge_undo,
)
from screening.services.people import stop_record
from screening.services.rounds import rounds_close
from staff import clock
from staff.errors import IllegalMove, NotAllowed, RoundbookError
from staff.models import AccessEntry, User
from tests import cast, factories
from tests.conftest import NOON
from tests.looks import on_the_list

TODAY = date(2026, 6, 17)
SignIn = Callable[[str], Client]
region = pytest.mark.usefixtures("region")
MARRA = Record("tolvane", "marra", date(1964, 3, 9), "female", "1 Mill Lane", "0Q-417", "01632 900111")


def other(**change: object) -> Record:
    facts = {f: getattr(MARRA, f) for f in Record.__slots__} | change
    return Record(**facts)


@pytest.mark.parametrize("field", sorted(SHARES))
def test_the_shares_of_a_field_add_up_to_one_and_agreement_speaks_for_one_person(field: str) -> None:
    for side in (0, 1):
        assert math.isclose(sum(pair[side] for pair in SHARES[field].values()), 1.0, abs_tol=1e-9)
    weights = [math.log2(m / u) for m, u in SHARES[field].values()]
    assert weights == sorted(weights, reverse=True), "the better it agrees, the more it weighs"
    assert weights[0] > 0 > weights[-1]


# Worked by hand: log2(.90/.004) + log2(.88/.02) + log2(.93/.00007) + log2(.99/.5) + log2(.68/.0005) + log2(.50/.0002).
def test_the_weight_is_the_sum_of_the_logarithms() -> None:
    assert likeness(MARRA, MARRA).weight == pytest.approx(
        7.81 + 5.46 + 13.70 + 0.99 + 10.41 + 11.29, abs=0.03
    )


@pytest.mark.parametrize(
    ("change", "listed"),
    [
        ({"address": "9 Dune Street", "postcode": "0Q-900"}, True),
        ({"family_name": "tolvan"}, True),
        ({"family_name": "merrick"}, True),
        ({"birth_date": date(1964, 9, 3)}, True),
        ({"birth_date": date(1964, 3, 8), "phone": ""}, True),
        ({"given_names": "wenna", "phone": ""}, True),
        ({"given_names": "marra anne"}, True),
        ({"given_names": "jonas", "sex": "male", "birth_date": date(1962, 7, 1), "phone": ""}, False),
        ({"family_name": "merrick", "address": "9 Dune Street", "phone": ""}, False),
        ({"family_name": "merrick", "given_names": "wenna", "address": "9 Dune Street", "phone": ""}, False),
    ],
    ids=["moved", "misspelt", "married", "day and month", "digit", "twin sister", "second name", "couple", "same first name", "birthday"],
)  # fmt: skip
def test_whom_a_person_should_look_at(change: dict, listed: bool) -> None:
    assert (likeness(MARRA, other(**change)).weight >= LISTED_FROM) is listed


records = st.builds(
    Record, st.sampled_from(["", "tolvane", "tolvan", "merrick"]), st.sampled_from(["", "marra", "marra anne", "jonas"]),
    st.sampled_from([None, date(1964, 3, 9), date(1964, 9, 3), date(1970, 1, 1)]), st.sampled_from(["female", "male", "unknown"]),
    st.sampled_from(["", "1 Mill Lane", "1 Mil Lane"]), st.sampled_from(["", "0Q-417"]), st.sampled_from(["", "1", "2"]),
)  # fmt: skip


@given(records, records)
@settings(max_examples=300, deadline=None)
def test_the_order_of_two_records_does_not_matter_and_nothing_is_like_as_itself(
    one: Record, two: Record
) -> None:
    assert likeness(one, two) == likeness(two, one)
    assert (
        likeness(one, two).weight <= likeness(one, one).weight + 1e-9
        or Level.UNKNOWN in likeness(one, one).levels.values()
    )


# --- in the registry -------------------------------------------------------------------------------------------------


@pytest.fixture
def by() -> User:
    return cast.member(cast.PHONE_DESK)


def a_pair(**change: object) -> tuple[Person, Person]:
    facts = {
        "family_name": "Tolvane",
        "given_names": "Marra",
        "name_key": "tolvane marra",
        "address_1": "1 Mill Lane",
    }
    one = factories.a_person(**facts)
    two = factories.a_person(**(facts | change))
    return one, two


@region
def test_the_search_finds_the_pair_once_holds_both_and_merges_nothing(by: User) -> None:
    one, two = a_pair(address_1="9 Dune Street")
    for n in range(20):
        factories.a_person(birth_date=date(1970, 1, 1) + timedelta(days=400 * n))
    found = duplicates_find(by=by)
    assert found.written == 1
    pair = duplicates_open().get()
    assert (pair.first_id, pair.second_id) == (one.pk, two.pk)
    assert pair.hold_until == date(2026, 7, 1), "ten working days after Wednesday 17 June"
    for person in (one, two):
        person.refresh_from_db()
        assert (person.next_due_on, person.merged_into_id) == (date(2026, 7, 1), None)
        assert person_eligibility(person, on=TODAY).code == "possible_duplicate"
    assert duplicates_find(by=by).written == 0
    assert duplicates_find(by=by, person_ids=[two.pk]).written == 0


@region
def test_twins_told_apart_are_never_asked_about_again_and_warn_of_each_other(
    by: User, signed_in: SignIn
) -> None:
    one, two = a_pair(given_names="Wenna", name_key="tolvane wenna")
    assert duplicates_find(by=by).written == 1
    with pytest.raises(RoundbookError, match="how you know"):
        duplicate_different(by=by, pair=duplicates_open().get(), note="")
    duplicate_different(by=by, pair=duplicates_open().get(), note="twin sisters, both rang")
    assert duplicates_find(by=by).written == 0
    assert look_alikes(one) == [two]
    assert look_alikes(two) == [one]
    one.refresh_from_db()
    assert one.next_due_on is not None
    assert one.next_due_on < TODAY, "due as before"
    on_the_list(cast.PHONE_DESK, one.pk)
    page = signed_in(cast.PHONE_DESK).get(reverse("screening:person", args=[one.pk]))
    assert "Look-alike: Wenna Tolvane, born 9 Mar 1964" in page.text


def merged(kept: Person, gone: Person) -> PersonMerge:
    asked = merge_ask(by=cast.member(cast.PHONE_DESK), kept=kept, merged=gone, why="one passport")
    return merge_decide(by=cast.member(cast.COORDINATOR), merge=asked, agree=True)


def everything() -> dict[str, list]:
    """Every row of every table of this part but histories and the decisions on merges and pairs themselves."""
    rows = {}
    for model in apps.get_app_config("screening").get_models():
        if "History" in model.__name__ or model in (PersonMerge, PossibleDuplicate):
            continue
        rows[model.__name__] = list(model.objects.order_by("pk").values())
    return rows


# Source: hazard H27: the round trip of merge and unmerge restores every row.
@region
@pytest.mark.parametrize("history", ["none", "kept", "merged", "both"])
def test_taking_a_merge_back_restores_every_row(by: User, history: str) -> None:
    one, two = a_pair()
    for person in {"none": (), "kept": (one,), "merged": (two,), "both": (one, two)}[history]:
        round_ = factories.a_round(person, sent_days_ago=200 if person == one else 400)
        rounds_close(by=by, round_ids=[round_.pk], reason="not_returned")
    stop_record(by=by, person=two, scope="text", source="called")
    due_dates_refresh(by=by)
    duplicates_find(by=by)
    before = everything()
    done = merged(one, two)
    assert Person.objects.get(pk=two.pk).merged_into_id == one.pk
    assert everything() != before
    merge_undo(by=by, merge=done, why="two passports after all")
    assert everything() == before
    assert duplicates_open().count() == 1, "to be looked at again"
    assert merged(two, one).agreed, "and may be merged the other way round"


# Source: job description 2.19, exception 6: the latest history of both counts.
@region
def test_both_histories_count_and_stand_on_one_page(by: User, signed_in: SignIn) -> None:
    one, two = a_pair()
    for person, days in ((one, 800), (two, 100)):
        round_ = factories.a_round(person, sent_days_ago=days)
        rounds_close(by=by, round_ids=[round_.pk], reason="not_returned")
    assert person_eligibility(one, on=TODAY).due
    merged(one, two)
    one.refresh_from_db()
    invited = TODAY - timedelta(days=100)
    assert one.next_due_on == invited.replace(year=invited.year + 2)
    assert person_open(by=by, person_id=two.pk, purpose="call", place="x") == one
    on_the_list(cast.PHONE_DESK, one.pk)
    page = signed_in(cast.PHONE_DESK).get(reverse("screening:person", args=[two.pk]))
    assert page.text.count("no kit came back") >= 2
    assert "was put under this one (one passport)" in page.text


@region
def test_a_stop_or_an_open_round_of_either_record_holds_for_the_one_person(by: User) -> None:
    one, two = a_pair()
    stop_record(by=by, person=two, scope="invitations", source="called")
    due_dates_refresh(by=by)
    merged(one, two)
    assert person_eligibility(Person.objects.get(pk=one.pk), on=TODAY).code == "opted_out"
    three, four = a_pair()
    round_ = factories.a_round(four, sent_days_ago=200)
    rounds_close(by=by, round_ids=[round_.pk], reason="not_returned")
    merged(three, four)
    from screening.services.intake import delivery_record, returns_log_many
    from staff.models import Site

    sack = delivery_record(by=by, site=Site.objects.get(code="QHC"), arrived_on=TODAY)
    returns_log_many(by=by, delivery=sack, rows=[(round_.kits.get().serial, str(TODAY.day), "")])
    assert Round.objects.get(pk=round_.pk).state == "result_due"
    due_dates_refresh(by=by)
    assert person_eligibility(Person.objects.get(pk=three.pk), on=TODAY).code == "in_a_round"


# Source: ruling R14: a merge never alone.
@region
def test_nobody_merges_alone_and_what_cannot_be_merged_is_refused(by: User) -> None:
    one, two = a_pair()
    asked = merge_ask(by=by, kept=one, merged=two, why="one passport")
    with pytest.raises(NotAllowed):
        merge_decide(by=by, merge=asked, agree=True)
    with pytest.raises(IllegalMove):
        merge_ask(by=cast.member(cast.COORDINATOR), kept=one, merged=two, why="again")
    assert not merge_decide(by=cast.member(cast.COORDINATOR), merge=asked, agree=False).agreed
    assert Person.objects.get(pk=two.pk).merged_into_id is None
    factories.a_round(two)
    with pytest.raises(IllegalMove) as refused:
        merge_ask(by=by, kept=one, merged=two, why="x")
    assert refused.value.code == "round_open"
    merged(two, one)
    three = factories.a_person()
    with pytest.raises(IllegalMove) as refused:
        merge_ask(by=by, kept=three, merged=two, why="x")
    assert refused.value.code == "has_merged"
    with pytest.raises(IllegalMove) as refused:
        merge_ask(by=by, kept=three, merged=one, why="x")
    assert refused.value.code == "merged_already"


@region
def test_pairs_are_looked_at_told_apart_merged_and_taken_apart_from_the_pages(
    by: User, signed_in: SignIn
) -> None:
    one, two = a_pair(address_1="9 Dune Street")
    duplicates_find(by=by)
    pair = duplicates_open().get()
    client = signed_in(cast.PHONE_DESK)
    assert "Tolvane" in client.get(reverse("screening:duplicates")).text
    at = reverse("screening:duplicate", args=[pair.pk])
    page = client.get(at)
    assert "<strong>9 Dune Street</strong>" in page.text
    decide = reverse("screening:duplicate-decide", args=[pair.pk])
    assert "Say how you know" in client.post(decide, {"note": "", "different": "1"}, follow=True).text
    asked = client.post(decide, {"note": "one passport", "keep": two.pk, "same": "1"}, follow=True)
    assert "A second person decides." in asked.text
    merge, place_of_list = PersonMerge.objects.get(), "screening:second-look"
    assert (merge.kept_id, merge.merged_id) == (two.pk, one.pk)
    agree = reverse("screening:merge-decide", args=[merge.pk])
    assert "Somebody else" in client.post(agree, {"agree": "1"}, follow=True).text
    place = reverse("screening:second-look")
    assert agree not in client.get(place).text, "who asked is not offered to decide"
    second = signed_in(cast.COORDINATOR)
    waits = second.get(place)
    assert f'action="{agree}"' in waits.text
    assert "one passport" in waits.text
    listed = AccessEntry.objects.filter(place=place_of_list, person_id__in=[one.pk, two.pk])
    assert listed.values("person_id").distinct().count() == 2
    assert "One person now" in second.post(agree, {"agree": "1"}, follow=True).text
    undo = reverse("screening:merge-undo", args=[merge.pk])
    assert (
        "both records stand as they stood" in client.post(undo, {"note": "two after all"}, follow=True).text
    )
    assert Person.objects.get(pk=one.pk).merged_into_id is None
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM staff_accessentry WHERE place = 'screening:duplicate'")
        assert cursor.fetchone()[0] >= 2
    assert clock.now() == NOON
