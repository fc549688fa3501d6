"""Statements of one message: values quoted, one plan, the transaction's begin and end with them, and a lost connection."""

from datetime import UTC, date, datetime
from typing import Any

import psycopg
import pytest
from django.db import DataError, OperationalError, ProgrammingError, connection, transaction
from django.db.utils import IntegrityError
from hypothesis import given, settings
from hypothesis import strategies as st

from staff.quick import Statement, asked, ends_here, nothing_more

ECHO = Statement("SELECT row_to_json(x) FROM (SELECT %(word)s AS word, %(n)s AS n) x", word="text", n="int")
ECHO_WORD = Statement("SELECT %(word)s || '%%'", word="text")
KEPT = Statement("INSERT INTO quick_kept (word) VALUES (%(word)s)", word="text")


@pytest.mark.django_db
@settings(max_examples=200, deadline=None)
@given(word=st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=60))
def test_whatever_text_comes_back_as_it_went(word: str) -> None:
    assert asked(ECHO_WORD, {"word": word}) == (word + "%").encode()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("value", "kind", "said"),
    [
        (None, "text", b"none"),
        (True, "boolean", b"true"),
        (-7, "bigint", b"-7"),
        (date(2028, 2, 29), "date", b"2028-02-29"),
        (datetime(2026, 3, 29, 1, 30, tzinfo=UTC), "timestamptz", b"2026-03-29 01:30:00+00"),
        (["a'b", "c\\d"], "text[]", b'{a\'b,"c\\\\d"}'),
        ([], "text[]", b"{}"),
        (["K-12"], "text[]", b"{K-12}"),
        ([""], "text[]", b'{""}'),
        (["null"], "text[]", b'{"null"}'),
        (["{x,y} "], "text[]", b'{"{x,y} "}'),
        (['a"b'], "text[]", b'{"a\\"b"}'),
        (["a\\"], "text[]", b'{"a\\\\"}'),
        (["a'"], "text[]", b"{a'}"),
        ([None], "text[]", b"{NULL}"),
    ],
)
def test_values_of_every_kind(value: Any, kind: str, said: bytes) -> None:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL TimeZone = 'UTC'")
        assert asked(Statement("SELECT coalesce(%(v)s::text, 'none')", v=kind), {"v": value}) == said


@pytest.mark.django_db
@pytest.mark.parametrize("word", ["a\x00b", "\x00"])
def test_text_that_the_database_cannot_hold_is_refused_before_it_is_sent(word: str) -> None:
    with pytest.raises(DataError):
        asked(ECHO_WORD, {"word": word})
    assert asked(ECHO_WORD, {"word": "a"}) == b"a%"


@pytest.mark.django_db
def test_a_wrong_statement_is_djangos_error() -> None:
    with pytest.raises(ProgrammingError), transaction.atomic():
        asked(Statement("SELECT nonsense"), {})
    assert asked(ECHO_WORD, {"word": "on"}) == b"on%"


@pytest.fixture
def kept(as_owner: psycopg.Connection) -> None:
    """A small table in a database of its own, with a rule that is only checked at the end of a transaction."""
    as_owner.execute("CREATE TABLE quick_kept (word text UNIQUE DEFERRABLE INITIALLY DEFERRED)")
    as_owner.execute("GRANT ALL ON quick_kept TO PUBLIC")


def words() -> list[str]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT word FROM quick_kept ORDER BY word")
        return [row[0] for row in cursor.fetchall()]


def test_the_last_statement_ends_the_transaction(kept: None) -> None:
    with transaction.atomic():
        assert asked(ECHO_WORD, {"word": "a"}) == b"a%"
        assert ends_here()
        asked(KEPT, {"word": "one"}, last=True)
        assert connection.connection.info.transaction_status.name == "IDLE"
    assert words() == ["one"]


def test_inside_another_transaction_it_does_not_end(kept: None) -> None:
    with transaction.atomic():
        with transaction.atomic():
            assert not ends_here()
            asked(KEPT, {"word": "one"}, last=True)
        transaction.set_rollback(True)
    assert words() == []


def test_rolling_back_undoes_what_came_before(kept: None) -> None:
    with transaction.atomic():
        asked(KEPT, {"word": "one"})
        transaction.set_rollback(True)
    assert words() == []


def test_what_is_checked_at_the_end_arrives_as_an_error_of_the_last_statement(kept: None) -> None:
    with transaction.atomic():
        asked(KEPT, {"word": "one"}, last=True)
    with pytest.raises(IntegrityError, match="quick_kept_word_key"), transaction.atomic():
        asked(KEPT, {"word": "one"}, last=True)
    assert words() == ["one"]


def test_a_statement_after_the_last_one_is_refused(kept: None) -> None:
    with pytest.raises(AssertionError, match="after the last one"), nothing_more():
        words()
    assert words() == []


def test_a_lost_connection_is_said_and_a_new_one_serves(as_owner: psycopg.Connection) -> None:
    assert asked(ECHO, {"word": "a", "n": 1}) == b'{"word":"a","n":1}'
    pid = connection.connection.info.backend_pid
    as_owner.execute("SELECT pg_terminate_backend(%s)", [pid])
    with pytest.raises(OperationalError):
        asked(ECHO, {"word": "a", "n": 1})
    connection.close()
    assert asked(ECHO, {"word": "b", "n": 2}) == b'{"word":"b","n":2}'
