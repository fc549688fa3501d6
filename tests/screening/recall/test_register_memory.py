"""A file's lines that were applied before need no reading: whatever comes, the register ends as if every line were read."""

import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from time import sleep
from typing import Any

import polars as pl
import pytest
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from screening.models import (
    Person,
    Practice,
    RegisterDigests,
    RegisterLoad,
    RegisterMemory,
    StagedPerson,
)
from screening.names import name_key_make
from screening.serials import person_number_make, person_number_ok
from screening.services import register, register_copy, register_memory
from screening.services.corrections import person_correct
from screening.services.register import register_apply, register_discard, register_effect, register_stage
from screening.services.register_lines import COLUMNS
from screening.services.register_proof import register_compare
from screening.services.register_read import name_keys, numbers_ok
from staff import clock
from staff.errors import IllegalMove
from staff.models import User
from tests import cast

pytestmark = pytest.mark.usefixtures("region")
FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"


@pytest.fixture
def by() -> User:
    return cast.member(cast.ADMINISTRATOR)


def lines_of_500() -> list[str]:
    return (FIXTURES / "register_500.csv").read_text().strip().split("\n")


def file_of(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode()


def staged(by: User, lines: list[str], **options: bool) -> RegisterLoad:
    return register_stage(by=by, content=file_of(lines), file_name="file.csv", **options)


def applied(by: User, lines: list[str], **options: bool) -> RegisterLoad:
    return register_apply(by=by, load=staged(by, lines, **options))


def with_field(line: str, column: str, value: str) -> str:
    fields = line.split(",")
    fields[COLUMNS.index(column)] = value
    return ",".join(fields)


def test_only_lines_that_say_something_new_are_staged(by: User) -> None:
    lines = lines_of_500()
    applied(by, lines)
    lines[7] = with_field(lines[7], "phone", "01632 960001")
    load = staged(by, [lines[0], *reversed(lines[1:])])
    assert (load.lines, load.as_before, load.unchanged, load.changed) == (500, 499, 499, 1)
    assert StagedPerson.objects.filter(load=load).count() == 1
    done = register_apply(by=by, load=load)
    assert (done.lines, done.unchanged, done.changed, done.created) == (500, 499, 1, 0)
    assert Person.objects.filter(phone="01632 960001").count() == 1
    assert RegisterDigests.objects.get().load == load, "what little is new lies beside the memory"
    version = RegisterMemory.objects.get().version
    again = applied(by, [*lines, ""])
    assert (again.as_before, again.unchanged, again.changed) == (500, 500, 0)
    assert RegisterMemory.objects.get().version == version, "nothing new is nothing to remember"
    comparison = register_compare(by=by)
    assert (comparison.people, comparison.differing, comparison.lost) == (500, 0, 0)


def test_people_are_counted_before_a_file_that_says_a_number_twice_is_laid_down(
    by: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its first laying down is broken off and taken back, and nothing may be asked of the database in between."""
    lines = lines_of_500()
    applied(by, lines)
    count, staging = register._people_known, register_copy._staging

    def slow(*given: Any) -> int:
        if given:
            sleep(0.1)
        return count(*given)

    @contextmanager
    def lingering() -> Iterator[Any]:
        try:
            with staging() as copy:
                yield copy
        except BaseException:
            sleep(0.3)
            raise

    monkeypatch.setattr(register, "_people_known", slow)
    monkeypatch.setattr(register_copy, "_staging", lingering)
    moved = [with_field(line, "address_2", "Annex") for line in lines[1:11]]
    load = staged(by, [lines[0], *moved, *lines[11:], with_field(lines[20], "phone", "01632 960003")])
    assert (load.status, load.lines, load.refused) == ("held", 501, 2)
    assert "of 500 people" in load.held_reason


def test_a_line_of_long_ago_is_new_when_another_came_between(by: User) -> None:
    first = lines_of_500()
    second = [*first]
    second[9] = with_field(second[9], "phone", "01632 960002")
    applied(by, first)
    applied(by, second)
    back = applied(by, [*first, "", ""])
    assert (back.changed, back.as_before) == (1, 499)
    assert not Person.objects.filter(phone="01632 960002").exists()


def test_after_a_week_every_line_is_read_again(by: User) -> None:
    lines = lines_of_500()
    applied(by, lines)
    with clock.at(clock.now() + timedelta(days=6)):
        assert staged(by, [*lines, ""]).as_before == 500
    with clock.at(clock.now() + timedelta(days=7)):
        load = applied(by, [*lines, "", ""])
        assert (load.as_before, load.unchanged) == (0, 500)
        assert RegisterMemory.objects.get().whole_on == clock.today()
        assert staged(by, [*lines, "", "", ""]).as_before == 500


def test_a_practice_that_became_known_is_taken_from_lines_that_named_it_before(by: User) -> None:
    lines = lines_of_500()
    lines[3] = with_field(lines[3], "practice_code", "P77")
    applied(by, lines)
    number = lines[3].split(",")[0]
    assert Person.objects.get(identifiers__value=number).practice is None
    Practice.objects.create(code="P77", name="Seventy-seven")
    load = applied(by, [*lines, ""])
    assert (load.as_before, load.changed) == (0, 1)
    assert Person.objects.get(identifiers__value=number).practice.code == "P77"


def test_a_file_overtaken_by_another_is_read_again_and_not_applied_as_it_was(by: User) -> None:
    first = lines_of_500()
    applied(by, first)
    waiting, other = [*first], [*first]
    waiting[4] = with_field(waiting[4], "phone", "01632 960003")
    other[5] = with_field(other[5], "phone", "01632 960004")
    load = staged(by, waiting)
    assert staged(by, waiting).pk == load.pk
    applied(by, other)
    with pytest.raises(IllegalMove) as refused:
        register_apply(by=by, load=load)
    assert refused.value.code == "load_overtaken"
    again = staged(by, waiting)
    assert again.pk != load.pk
    assert RegisterLoad.objects.get(pk=load.pk).status == "discarded"
    assert register_apply(by=by, load=again).changed == 2, "what the other file changed is changed back"
    assert not Person.objects.filter(phone="01632 960004").exists()


def test_a_file_thrown_away_is_not_remembered(by: User) -> None:
    lines = lines_of_500()
    load = staged(by, lines)
    assert RegisterDigests.objects.count() == 1
    register_discard(by=by, load=load)
    assert not RegisterDigests.objects.exists()
    assert not RegisterMemory.objects.exists()


def test_few_emptied_fields_among_many_lines_as_before_hold_no_file(by: User) -> None:
    lines = lines_of_500()
    applied(by, lines)
    with_phone = [n for n, line in enumerate(lines[1:], 1) if line.split(",")[COLUMNS.index("phone")]]
    lines[with_phone[0]] = with_field(lines[with_phone[0]], "phone", "")
    load = staged(by, lines)
    assert load.status == RegisterLoad.Status.STAGED
    assert load.filled["phone"] == len(with_phone) - 1
    assert register_effect(load).emptied == {"phone": (1, len(with_phone))}


def test_the_whole_register_without_some_of_its_people(by: User) -> None:
    lines = lines_of_500()
    applied(by, lines, is_full=True)
    gone = [line for line in lines[1:] if line.endswith(",,")][:30]
    load = staged(by, [line for line in lines if line not in gone], is_full=True)
    assert (load.as_before, load.status) == (470, RegisterLoad.Status.HELD)
    assert register_effect(load).missing == 30


DICE = 10


CHANGES = (
    ("phone", "01632 11"), ("phone", "01632 12"), ("phone", ""), ("postcode", "0Q-101"), ("family_name", "Ólvane"),
    ("deceased_on", "2026-06-01"), ("left_area_on", "2026-06-02"), ("birth_date", "1960-02-29"), ("email", ""),
    ("birth_date", "1960-02-30"), ("area_code", "XXX"), ("practice_code", "P99"), ("address_1", '"4, Mill Lane"'),
)  # fmt: skip


def _changed(lines: list[str], dice: random.Random) -> list[str]:
    """The register a day later: people moved, died, left, came, were dropped, or have a broken line."""
    head, *rest = lines
    for _ in range(dice.randrange(4)):
        at = dice.randrange(len(rest))
        if '"' not in rest[at]:
            rest[at] = with_field(rest[at], *dice.choice(CHANGES))
    if dice.random() < 0.3:
        rest.pop(dice.randrange(len(rest)))
    if dice.random() < 0.3:
        rest.append(with_field(rest[0], "person_number", person_number_make(990_000 + dice.randrange(1000))))
    if dice.random() < 0.5:
        dice.shuffle(rest)
    return [head, *rest]


def _sent(lines: list[str], dice: random.Random) -> list[str]:
    """The file as it is sent: now and then somebody stands on it twice, with the same line or with another."""
    again = [dice.choice(lines[1:])] if dice.random() < 0.2 else []
    other = [dice.choice(lines[1:]).replace("01632", "01633")] if dice.random() < 0.2 else []
    return [*lines, *again, *other]


def _played(by: User, seed: int) -> list[Any]:
    """What a random course of files makes of sixty people: every load's counts and everybody's facts."""
    dice, told = random.Random(seed), []  # noqa: S311 - dice of a test
    second = cast.member(cast.MANAGER)
    lines = lines_of_500()[:61]
    facts = [f.attname for f in Person._meta.concrete_fields if f.attname not in {"id", "last_feed_id"}]
    for turn in range(6):
        load = staged(by, [*_sent(lines, dice), *[""] * turn], is_full=dice.random() < 0.5)
        effect = register_effect(load)
        counts = load.lines, load.refused, load.created, load.changed, load.unchanged
        told.append((load.status, load.held_reason, *counts))
        told.append((effect.missing, effect.emptied, effect.fields, effect.deaths, effect.leavers))
        told.append(sorted(load.refused_lines.values_list("line", "code")))
        if load.status == RegisterLoad.Status.HELD and dice.random() < 0.3:
            register_discard(by=by, load=load)
        else:
            register_apply(by=second, load=load, override_hold=True)
        told.append(sorted(Person.objects.values_list("identifiers__value", *facts), key=repr))
        if dice.random() < 0.4:
            who = Person.objects.order_by("identifiers__value")[dice.randrange(50)]
            person_correct(
                by=by, person=who, facts={"phone": f"01632 {dice.randrange(999):03}"}, note="told by phone"
            )
        lines = _changed(lines, dice)
    return told


@contextmanager
def undone() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


@pytest.mark.parametrize("seed", range(DICE))
def test_the_register_ends_as_if_every_line_were_read(
    by: User, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    known: list[int] = []
    keep = register_memory.news_of

    def watched(*args: Any, **named: Any) -> Any:
        news = keep(*args, **named)
        if news:
            known.append(news.as_before.height)
        return news

    monkeypatch.setattr(register_memory, "news_of", watched)
    with undone():
        quick = _played(by, seed)
    assert known, "no file was compared with the memory"
    monkeypatch.setattr(register_memory, "news_of", lambda *_a, **_k: None)
    with undone():
        assert _played(by, seed) == quick


@pytest.mark.parametrize("seed", range(DICE))
def test_what_lies_beside_the_memory_counts_as_what_is_taken_in(
    by: User, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    remembered = []
    for beside in (register_memory.BESIDE, 0.0, 1000.0):
        monkeypatch.setattr(register_memory, "BESIDE", beside)
        with undone():
            _played(by, seed)
            remembered.append((register_memory._told().sort("person"), RegisterDigests.objects.exists()))
    (usual, _), (taken_in, none), (all_beside, some) = remembered
    assert usual.equals(taken_in)
    assert usual.equals(all_beside)
    assert some
    assert not none


NUMBERS = st.one_of(
    st.text(max_size=14), st.from_regex(r"[0-9]{11,13}", fullmatch=True), st.integers(1, 10**11 - 1).map(person_number_make)
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(st.lists(NUMBERS, min_size=1, max_size=30))
def test_numbers_are_checked_together_as_one_by_one(numbers: list[str]) -> None:
    assert numbers_ok(pl.Series(numbers, dtype=pl.String)).to_list() == [person_number_ok(n) for n in numbers]


NAMES = st.text(st.sampled_from("aAzZ '-éßİǅ1\u00a0\u2019\u0301."), max_size=8)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(NAMES, NAMES), min_size=1, max_size=30))
def test_name_keys_are_made_together_as_one_by_one(names: list[tuple[str, str]]) -> None:
    frame = pl.DataFrame(names, schema={"family_name": pl.String, "given_names": pl.String}, orient="row")
    assert name_keys(frame).to_list() == [name_key_make(*pair) for pair in names]
