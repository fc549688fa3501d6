"""The register feed: read, staged, previewed, held, applied once, and what it does to rounds."""

from collections import Counter
from datetime import date
from pathlib import Path

import pytest
from django.apps import apps
from django.db import connection

from oversight.rehearsal.names import postcode_fifths
from screening.models import (
    Exclusion,
    Kit,
    Person,
    PersonIdentifier,
    PostcodeFifth,
    RefusedLine,
    RegisterLoad,
    Round,
    StagedPerson,
)
from screening.services import register_memory
from screening.services.register import (
    register_apply,
    register_changes,
    register_discard,
    register_effect,
    register_stage,
)
from screening.services.register_lines import COLUMNS
from screening.services.register_read import register_file_read
from screening.services.register_words import REFUSALS
from staff.errors import NotAllowed, RoundbookError
from staff.models import User
from tests import cast, factories

pytestmark = pytest.mark.usefixtures("region")
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
HEADER = ",".join(COLUMNS)
TODAY = date(2026, 6, 17)
AREAS = frozenset({"NOR", "QUI", "HES", "SAL", "DUN", "ULV"})


@pytest.fixture
def by() -> User:
    return cast.member(cast.ADMINISTRATOR)


def five_hundred() -> bytes:
    return (FIXTURES / "register_500.csv").read_bytes()


def loaded(by: User, content: bytes, name: str = "file.csv", **options: bool) -> RegisterLoad:
    return register_apply(by=by, load=register_stage(by=by, content=content, file_name=name), **options)


def changed_copy(content: bytes, *, lines: int, old: str = ",en,", new: str = ",ar,") -> bytes:
    """The same file with a fact changed on so many lines."""
    rows = content.decode().split("\n")
    done = 0
    for n, row in enumerate(rows):
        if done < lines and old in row:
            rows[n], done = row.replace(old, new, 1), done + 1
    assert done == lines
    return "\n".join(rows).encode()


def test_a_first_load_makes_people_with_their_numbers_area_fifth_and_next_date(by: User) -> None:
    PostcodeFifth.objects.bulk_create(PostcodeFifth(postcode=p, fifth=f) for p, f in postcode_fifths())
    load = loaded(by, five_hundred())
    assert (load.status, load.lines, load.created, load.changed, load.refused) == ("applied", 500, 500, 0, 0)
    assert Person.objects.count() == PersonIdentifier.objects.count() == 500
    person = Person.objects.get(identifiers__value="000400000010")
    assert (person.family_name, person.given_names, person.name_key) == (
        "Quelriberrick",
        "Marsel",
        "quelriberrick marsel",
    )
    assert (person.birth_date, person.sex, person.postcode) == (date(1954, 10, 19), "male", "0Q-169")
    assert person.area is not None
    assert person.practice is not None
    assert (person.area.code, person.practice.code, person.deprivation_fifth) == ("QUI", "P02", 1)
    assert person.next_due_on == date(2004, 10, 19), "never invited: due since the fiftieth birthday"
    assert (
        Person.objects.filter(deceased_on__isnull=False, next_due_on=None, not_due_code="died").count() == 2
    )
    assert Person.objects.filter(next_due_on=None, not_due_code="moved_away").count() + 0 >= 2
    assert not Person.objects.filter(next_due_on=None, not_due_code="").exists()


def test_the_same_file_is_applied_once_and_a_file_that_changes_nothing_writes_nothing(by: User) -> None:
    first = loaded(by, five_hundred())
    assert register_stage(by=by, content=five_hundred(), file_name="again.csv").pk == first.pk
    assert register_apply(by=by, load=first).applied_at == first.applied_at
    before = list(Person.objects.order_by("pk").values_list("pk", "last_feed"))
    with connection.cursor() as cursor:
        cursor.execute("SELECT sum(xmin::text::bigint) FROM screening_person")
        rows_before = cursor.fetchone()
        again = loaded(by, five_hundred() + b"\n")
        cursor.execute("SELECT sum(xmin::text::bigint) FROM screening_person")
        assert cursor.fetchone() == rows_before, "no row of a person was written"
    assert (again.status, again.created, again.changed, again.unchanged) == ("applied", 0, 0, 500)
    assert list(Person.objects.order_by("pk").values_list("pk", "last_feed")) == before


def test_a_change_is_previewed_applied_and_remembered(by: User) -> None:
    loaded(by, five_hundred())
    load = register_stage(by=by, content=changed_copy(five_hundred(), lines=2), file_name="delta.csv")
    effect = register_effect(load)
    assert (effect.created, effect.changed, effect.unchanged, effect.fields) == (0, 2, 498, {"language": 2})
    changes = register_changes(load)
    assert [fact for c in changes for fact in c.facts] == [("language", "en", "ar")] * 2
    assert Person.objects.filter(language="ar").count() == effect_before(changes), "a preview writes nothing"
    register_apply(by=by, load=load)
    person = Person.objects.get(pk=changes[0].person_id)
    assert (person.language, person.last_feed_id) == ("ar", load.pk)
    history = apps.get_model("screening", "PersonHistory")
    assert history.objects.get(pgh_obj=person).language == "en"


def effect_before(changes: list) -> int:
    """How many people spoke the new language before the file (in the fixture)."""
    return Person.objects.filter(language="ar").exclude(pk__in=[c.person_id for c in changes]).count()


# Source: the programme's defaults: a feed that changes more than 0.5 % of people or empties 5 % of a field is held.
@pytest.mark.parametrize(("lines", "held"), [(2, False), (3, True)])
def test_a_file_that_would_change_too_many_is_held_for_a_second_person(
    by: User, lines: int, held: bool
) -> None:
    loaded(by, five_hundred())
    load = register_stage(by=by, content=changed_copy(five_hundred(), lines=lines), file_name="delta.csv")
    assert (load.status == "held") is held
    if not held:
        return
    assert "3 of 500" in load.held_reason
    with pytest.raises(RoundbookError) as refused:
        register_apply(by=by, load=load)
    assert refused.value.code == "load_held"
    with pytest.raises(NotAllowed) as alone:
        register_apply(by=by, load=load, override_hold=True)
    assert alone.value.code == "second_person"
    assert register_apply(by=cast.member(cast.MANAGER), load=load, override_hold=True).status == "applied"


def test_a_file_once_held_waits_for_a_second_person_whatever_changes_since(by: User) -> None:
    loaded(by, five_hundred())
    load = register_stage(by=by, content=changed_copy(five_hundred(), lines=3), file_name="delta.csv")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE screening_screeningpolicy SET feed_change_percent = 100")
    with pytest.raises(RoundbookError, match="3 of 500"):
        register_apply(by=cast.member(cast.MANAGER), load=load)


@pytest.mark.parametrize("whole", [False, True], ids=["few lines", "every line read"])
def test_a_file_is_weighed_again_when_it_is_applied(
    by: User, whole: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded(by, five_hundred())
    if whole:
        monkeypatch.setattr(register_memory, "news_of", lambda *_a, **_k: None)
    load = register_stage(by=by, content=changed_copy(five_hundred(), lines=2), file_name="delta.csv")
    assert load.status == "staged"
    staged = StagedPerson.objects.filter(load=load).values("person_number")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE screening_screeningpolicy SET feed_change_percent = 0.39")
    with pytest.raises(RoundbookError, match="2 of 500") as held:
        register_apply(by=by, load=load)
    assert held.value.code == "load_held"
    assert staged.count() == (500 if whole else 2)
    assert not Person.objects.filter(last_feed=load).exists()


def test_a_file_that_empties_a_field_is_held_with_the_fields_name(by: User) -> None:
    loaded(by, five_hundred())
    with connection.cursor() as cursor:
        cursor.execute("UPDATE screening_screeningpolicy SET feed_change_percent = 100")
    emptied = changed_copy(five_hundred(), lines=60, new=",,")
    load = register_stage(by=by, content=emptied, file_name="half-empty.csv")
    assert load.status == "held"
    assert "language" in load.held_reason


def test_a_whole_register_that_leaves_people_out_is_held(by: User) -> None:
    loaded(by, five_hundred())
    short = b"\n".join(five_hundred().split(b"\n")[:400])
    load = register_stage(by=by, content=short, file_name="short.csv", is_full=True)
    assert load.status == "held"
    assert register_effect(load).missing > 90
    assert register_stage(by=by, content=short + b"\n", file_name="delta.csv").status == "staged"


# Source: the programme's job description: death stops what waits, a referral does not stop, a kit that is back stays.
@pytest.mark.parametrize(
    ("column", "state", "ends"),
    [
        ("deceased_on", "kit_due", "died"), ("deceased_on", "kit_out", "died"), ("deceased_on", "result_due", "died"),
        ("deceased_on", "follow_up", ""), ("left_area_on", "kit_due", "moved_away"), ("left_area_on", "kit_out", "moved_away"),
        ("left_area_on", "result_due", ""), ("left_area_on", "follow_up", ""),
    ],
)  # fmt: skip
def test_death_and_departure_end_rounds_but_not_referrals(
    by: User, column: str, state: str, ends: str
) -> None:
    from screening.services.rounds import rounds_reported_at_or_above

    loaded(by, five_hundred())
    person = Person.objects.filter(deceased_on=None, left_area_on=None).order_by("pk").first()
    assert person is not None
    round_ = factories.a_round(person, state="kit_due" if state == "kit_due" else "kit_out")
    if state in {"result_due", "follow_up"}:
        factories.a_ready_return(round_)
    if state == "follow_up":
        rounds_reported_at_or_above(by=by, round_ids=[round_.pk], due_on=TODAY)
    with connection.cursor() as cursor:
        cursor.execute("UPDATE screening_screeningpolicy SET feed_change_percent = 100")
    number = person.identifiers.get().value
    rows = five_hundred().decode().split("\n")
    at = next(n for n, row in enumerate(rows) if row.startswith(number))
    fields = rows[at].split(",")
    fields[COLUMNS.index(column)] = "2026-06-10"
    loaded(by, "\n".join([HEADER, ",".join(fields)]).encode())
    round_ = Round.objects.get(pk=round_.pk)
    assert (round_.state, round_.close_reason) == (("closed", ends) if ends else (state, ""))
    person.refresh_from_db()
    assert person.next_due_on is None
    if state == "kit_due":
        assert Kit.objects.get(round=round_).void_on == TODAY


def test_a_death_is_never_taken_back_by_a_file(by: User) -> None:
    loaded(by, five_hundred())
    dead = Person.objects.filter(deceased_on__isnull=False).first()
    assert dead is not None
    rows = five_hundred().decode().split("\n")
    row = next(r for r in rows if r.startswith(dead.identifiers.get().value))
    loaded(by, "\n".join([HEADER, row.replace(str(dead.deceased_on), "")]).encode())
    dead.refresh_from_db()
    assert dead.deceased_on is not None


def test_an_unknown_practice_is_noted_and_changes_nothing(by: User) -> None:
    loaded(by, five_hundred())
    rows = five_hundred().decode().split("\n")
    load = register_stage(
        by=by, content="\n".join([HEADER, rows[1].replace("P02", "P99")]).encode(), file_name="p.csv"
    )
    effect = register_effect(load)
    assert (effect.unknown_practices, effect.changed, effect.unchanged) == (1, 0, 1)


def test_every_refusal_stands_in_the_fixture_once_and_says_what_to_do(by: User) -> None:
    load = register_stage(
        by=by, content=(FIXTURES / "register_bad_rows.csv").read_bytes(), file_name="bad.csv"
    )
    codes = Counter(RefusedLine.objects.filter(load=load).values_list("code", flat=True))
    assert set(codes) == set(REFUSALS)
    assert load.lines == load.refused + StagedPerson.objects.filter(load=load).count() == 26
    assert StagedPerson.objects.get(load=load, given_names="Brisa, Anne").line == 27
    raw = RefusedLine.objects.get(load=load, code="area_unknown")
    assert "XYZ" in raw.sentence
    assert raw.raw.endswith("en,XYZ,P02,,")


@pytest.mark.parametrize(
    ("content", "code", "words"),
    [
        (b"", "file_empty", "empty"),
        (HEADER.encode(), "file_empty", "no line below"),
        (
            (FIXTURES / "register_bad_header.csv").read_bytes(),
            "file_header",
            "Missing: birth_date. Not known: 'born'.",
        ),
        (HEADER.replace(",", ";").encode() + b"\n1;2", "file_header", "not separated by commas"),
        (b",".join([*HEADER.encode().split(b",")[::-1]]) + b"\nx", "file_header", "another order"),
        ((FIXTURES / "register_bad_encoding.csv").read_bytes(), "file_encoding", "byte 0xE9 on line 3"),
        (HEADER.encode("utf-16"), "file_encoding", "UTF-16"),
        (b"PK\x03\x04\xff\xfe", "file_encoding", "byte 0xFF on line 1"),
    ],
)
def test_a_file_that_cannot_be_read_is_answered_in_words(
    by: User, content: bytes, code: str, words: str
) -> None:
    with pytest.raises(RoundbookError) as refused:
        register_stage(by=by, content=content, file_name="x.csv")
    assert refused.value.code == code
    assert words in refused.value.sentence
    assert not RegisterLoad.objects.exists()


def test_text_stays_text() -> None:
    row = "000400000010,NA,Null,,,007,1e5,TRUE,0123,+44,,,QUI,,,"
    read = register_file_read(f"\ufeff{HEADER}\r\n{row}\r\n".encode(), today=TODAY, areas=AREAS)
    assert read.accepted.row(0, named=True) == {
        "line": 2, "person_number": "000400000010", "family_name": "NA", "given_names": "Null", "name_key": "na null",
        "birth_date": None, "sex": "unknown", "address_1": "007", "address_2": "1e5", "locality": "TRUE", "postcode": "0123",
        "phone": "+44", "email": "", "language": "", "area_code": "QUI", "practice_code": "", "deceased_on": None,
        "left_area_on": None,
    }  # fmt: skip


def test_a_file_of_broken_lines_only_is_kept_as_refusals(by: User) -> None:
    load = register_stage(by=by, content=f"{HEADER}\nnonsense\n\x00,\n".encode(), file_name="x.csv")
    assert (load.lines, load.refused, load.created) == (2, 2, 0)
    assert list(load.refused_lines.values_list("raw", flat=True)) == ["nonsense", "\N{SYMBOL FOR NULL},"]


def test_a_discarded_file_is_not_applied_and_may_be_sent_again(by: User) -> None:
    load = register_discard(by=by, load=register_stage(by=by, content=five_hundred(), file_name="x.csv"))
    with pytest.raises(RoundbookError) as refused:
        register_apply(by=by, load=load)
    assert refused.value.code == "load_closed"
    assert register_stage(by=by, content=five_hundred(), file_name="x.csv").pk != load.pk


def test_an_apply_that_dies_half_way_leaves_nothing(by: User, monkeypatch: pytest.MonkeyPatch) -> None:
    load = register_stage(by=by, content=five_hundred(), file_name="x.csv")

    def dies(**_: object) -> int:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("screening.services.register.due_dates_refresh", dies)
        with pytest.raises(KeyboardInterrupt):
            register_apply(by=by, load=load)
    assert not Person.objects.exists()
    assert RegisterLoad.objects.get(pk=load.pk).status == "staged"
    assert register_apply(by=by, load=load).created == 500
    assert not Exclusion.objects.exists()


def test_a_waiting_file_that_now_calls_itself_the_whole_register_is_read_anew(by: User) -> None:
    loaded(by, five_hundred())
    part = changed_copy(five_hundred(), lines=2)
    part = b"\n".join(part.split(b"\n")[:101]) + b"\n"
    waits = register_stage(by=by, content=part, file_name="part.csv")
    assert (waits.status, waits.missing) == ("staged", 0)
    assert register_stage(by=by, content=part, file_name="part.csv").pk == waits.pk
    whole = register_stage(by=by, content=part, file_name="part.csv", is_full=True)
    waits.refresh_from_db()
    assert (whole.pk != waits.pk, waits.status, whole.status) == (True, "discarded", "held")
    assert "leaves out 397 of 500 people" in whole.held_reason


def test_a_file_whose_lines_end_in_a_carriage_return_alone_shows_nobody(by: User) -> None:
    with pytest.raises(RoundbookError) as refused:
        register_stage(by=by, content=five_hundred().replace(b"\n", b"\r"), file_name="old.csv")
    assert refused.value.code == "file_line_ends"
    assert len(str(refused.value)) < 200
    data = five_hundred().split(b"\n", 1)[1].replace(b"\n", b",")
    with pytest.raises(RoundbookError, match=r"and \d+ more") as refused:
        register_stage(by=by, content=data, file_name="odd.csv")
    assert len(str(refused.value)) < 2000
