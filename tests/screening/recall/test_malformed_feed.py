"""Ten thousand malformed lines of a register file: each is answered by line and reason, nothing is written, memory is bounded.

Also a file of which only half arrived: it is held, or its broken last line is refused.
"""

import random
import resource
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.db import connection

from screening.models import Person, PersonIdentifier, RefusedLine, RegisterLoad, StagedPerson
from screening.serials import person_number_make
from screening.services.register import register_apply, register_effect, register_stage
from screening.services.register_lines import COLUMNS
from screening.services.register_words import REFUSALS
from staff.errors import RoundbookError
from staff.models import User
from tests import cast

pytestmark = pytest.mark.usefixtures("region")
HEADER = ",".join(COLUMNS)
COUNTS = [pytest.param(1_500, id="short"), pytest.param(10_000, id="long", marks=pytest.mark.campaign)]
Broken = Callable[[list[str], random.Random], str]


@pytest.fixture
def by() -> User:
    return cast.member(cast.ADMINISTRATOR)


def good(n: int) -> list[str]:
    """The fields of a line that is in order."""
    return [
        person_number_make(n), f"Tolvane{n % 997}", "Marra", str(date(1955, 1, 1) + timedelta(days=n % 7000)), "female",
        f"{n % 90 + 1} Mill Lane", "", "Quillport", "0Q-417", "", "", "en", "QUI", "P02", "", "",
    ]  # fmt: skip


def put(column: str, *values: str) -> Broken:
    """A line with another value in one column."""

    def broken(fields: list[str], dice: random.Random) -> str:
        fields[COLUMNS.index(column)] = dice.choice(values)
        return ",".join(fields)

    return broken


def misread(fields: list[str], dice: random.Random) -> str:
    """One digit of the number is another."""
    digits = list(fields[0])
    at = dice.randrange(len(digits))
    digits[at] = str((int(digits[at]) + dice.randint(1, 9)) % 10)
    return ",".join(["".join(digits), *fields[1:]])


def cut(fields: list[str], dice: random.Random) -> str:
    """The line ends early."""
    return ",".join(fields[: dice.randint(1, len(fields) - 1)])


def longer(fields: list[str], dice: random.Random) -> str:
    """More fields than columns."""
    return ",".join([*fields, *["x"] * dice.randint(1, 400)])


def quoted(fields: list[str], dice: random.Random) -> str:
    """A quotation mark too many."""
    fields[dice.randrange(1, 8)] = '"Tolvane'
    return ",".join(fields)


def noise(_fields: list[str], dice: random.Random) -> str:
    """Anything but a line feed."""
    return "".join(
        chr(dice.choice([*range(1, 9), *range(32, 127), 0xE9, 0x2028, 0x1F600]))
        for _ in range(dice.randint(1, 300))
    )


WAYS: tuple[Broken, ...] = (
    misread, cut, longer, quoted, noise,
    put("person_number", "", "12", "abc", "0004000000 10", "٠٠٠٤٠٠٠٠٠٠١٠", "1e11", "-1"),
    put("family_name", "", "  ", "x" * 121, "Tol\x07vane"),
    put("given_names", "", "y" * 4_000, "Mar\x00ra"),
    put("birth_date", "1964-13-01", "1963-02-29", "09.03.1964", "64-3-9", "2999-01-01", "1802-01-01", "1964-3-9", "NULL"),
    put("sex", "f", "F", "0", "Female", "weiblich"),
    put("postcode", "0Q-417-0Q-417"),
    put("phone", "1" * 25),
    put("email", "e" * 121),
    put("language", "english language", "e", "12", "en_GB"),
    put("area_code", "XYZ", "qui", "QUI1"),
    put("deceased_on", "2999-01-01", "yesterday", "1900-01-01"),
    put("left_area_on", "31-12-2025", "1900-01-01", "2026-02-30"),
)  # fmt: skip


def malformed(count: int) -> list[str]:
    """So many broken lines, each broken in one way; the seed is fixed."""
    dice = random.Random(20260617)  # noqa: S311 - a repeatable file, not a secret
    return [dice.choice(WAYS)(good(n), dice) for n in range(1, count + 1)]


# Source: the programme's job description, 2.1; hazard H28: a bad feed writes nothing and every line gets its answer.
@pytest.mark.parametrize("count", COUNTS)
def test_every_malformed_line_is_answered_and_nothing_is_written(by: User, count: int) -> None:
    lines = malformed(count)
    content = "\n".join([HEADER, *lines]).encode()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    load = register_stage(by=by, content=content, file_name="broken.csv")
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    answered = dict(RefusedLine.objects.filter(load=load).values_list("line", "code"))
    assert (load.lines, load.refused) == (count, count)
    assert set(answered) == set(range(2, count + 2)), "every line of the file, by its number"
    assert set(answered.values()) <= set(REFUSALS)
    assert len(set(answered.values())) >= 12, "the lines are broken in many ways"
    assert not RefusedLine.objects.filter(load=load, sentence="").exists()
    kept = dict(RefusedLine.objects.filter(load=load).values_list("line", "raw"))
    assert all(
        kept[n] == line.replace("\x00", "\N{SYMBOL FOR NULL}") for n, line in enumerate(lines, start=2)
    )
    assert not StagedPerson.objects.filter(load=load).exists()
    done = register_apply(by=by, load=load)
    assert (done.created, done.changed, done.unchanged) == (0, 0, 0)
    assert not Person.objects.exists()
    assert not PersonIdentifier.objects.exists()
    assert grown_mb < 60 + 40 * len(content) / 2**20, (
        f"{grown_mb:.0f} MB for a file of {len(content) / 2**20:.1f} MB"
    )


def test_broken_lines_cost_the_good_ones_nothing_and_people_keep_their_rows(by: User) -> None:
    first = "\n".join([HEADER, *(",".join(good(n)) for n in range(20_001, 20_301))]).encode()
    register_apply(by=by, load=register_stage(by=by, content=first, file_name="first.csv"))
    with connection.cursor() as cursor:
        cursor.execute("SELECT sum(xmin::text::bigint), count(*) FROM screening_person")
        rows = cursor.fetchone()
        mixed = "\n".join(
            [HEADER, *malformed(300), *(",".join(good(n)) for n in range(20_001, 20_301))]
        ).encode()
        load = register_apply(by=by, load=register_stage(by=by, content=mixed, file_name="mixed.csv"))
        cursor.execute("SELECT sum(xmin::text::bigint), count(*) FROM screening_person")
        assert cursor.fetchone() == rows, "no row of a person was written"
    assert (load.created, load.changed, load.unchanged, load.refused) == (0, 0, 300, 300)


# Source: hazard H28 of the project (half a file must not remove thousands).
@pytest.mark.parametrize("is_full", [True, False])
@pytest.mark.parametrize("share", [0.5, 0.97, 0.995])
def test_half_a_file_is_held_or_changes_nobody(by: User, share: float, is_full: bool) -> None:
    whole = "\n".join([HEADER, *(",".join(good(n)) for n in range(1, 1001))]).encode()
    register_apply(by=by, load=register_stage(by=by, content=whole, file_name="first.csv", is_full=True))
    half = whole[: int(len(whole) * share) - 5]
    load = register_stage(by=by, content=half, file_name="half.csv", is_full=is_full)
    effect = register_effect(load)
    assert (effect.created, effect.changed, effect.deaths, effect.leavers) == (0, 0, 0, 0)
    assert load.refused == 1, "the line that was cut through is refused"
    missing = 1000 - load.lines + load.refused
    assert effect.missing == (missing if is_full else 0)
    if is_full and missing > 5:  # more than 0.5 % of 1,000
        assert load.status == RegisterLoad.Status.HELD
        with pytest.raises(RoundbookError) as refused:
            register_apply(by=by, load=load)
        assert refused.value.code == "load_held"
    assert Person.objects.filter(deceased_on=None, left_area_on=None).count() == 1000
