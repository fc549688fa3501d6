"""A statement that is planned once a connection and travels in one message: for the few that run with every scan."""

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from hashlib import sha256
from typing import Any, NoReturn, cast
from weakref import WeakKeyDictionary

import psycopg
from django.db import DEFAULT_DB_ALIAS, connection, connections
from psycopg import sql
from psycopg.pq import ConnStatus, ExecStatus, TransactionStatus

_PARAMETER = re.compile(r"%(?:\((\w+)\)s|%)")
_PLAIN = re.compile(r"[^'\\\x00\ud800-\udfff]*")
_known: WeakKeyDictionary[psycopg.Connection[Any], set[str]] = WeakKeyDictionary()


class Statement:
    """A text with parameters as `%(name)s` and the database type of each, so that it has one plan whatever comes."""

    def __init__(self, text: str, **types: str) -> None:
        self.names: list[str] = []
        numbered = _PARAMETER.sub(self._number, " ".join(text.split()))
        listed = ", ".join(types[name] for name in self.names)
        self.name = f"roundbook_{sha256(f'{listed} {numbered}'.encode()).hexdigest()[:16]}"
        self.preparing = f"PREPARE {self.name} ({listed}) AS {numbered}".encode()

    def _number(self, found: re.Match[str]) -> str:
        name = found[1]
        if name is None:
            return "%"
        if name not in self.names:
            self.names.append(name)
        return f"${self.names.index(name) + 1}"

    def with_values(self, raw: psycopg.Connection[Any], params: Mapping[str, Any]) -> bytes:
        """The statement's call with its values; the types are known from the preparing."""
        values = ", ".join([_quoted(raw, params[name]) for name in self.names])
        return f"EXECUTE {self.name} ({values})".encode()


def _quoted(raw: psycopg.Connection[Any], value: Any) -> str:
    """A value as SQL: what cannot hold a quote is written here, all else by psycopg."""
    match value:
        case None:
            return "NULL"
        case bool() | int():
            return str(value)
        case date():
            return f"'{value.isoformat()}'"
        case str() if _PLAIN.fullmatch(value):
            return f"'{value}'"
        case [str() as only] if _PLAIN.fullmatch(only) and '"' not in only:
            return f"'{{\"{only}\"}}'"
        case _:
            return sql.Literal(value).as_string(raw)


def asked(statement: Statement, params: Mapping[str, Any], *, last: bool = False) -> bytes | None:
    """Run a statement in Django's own connection and transaction; the first column of its first row, or None.

    A transaction that has not begun yet begins with it. With `last` the outermost transaction also ends with it, when
    `ends_here` says so: nothing may be asked after that. Errors arrive as Django's, those of the end included.
    """
    django = connections[DEFAULT_DB_ALIAS]
    django.ensure_connection()
    raw: psycopg.Connection[Any] = django.connection
    with django.wrap_database_errors:
        _prepare(raw, statement)
        words = statement.with_values(raw, params)
        if not raw.autocommit and raw.info.transaction_status == TransactionStatus.IDLE:
            words = b"BEGIN; " + words
        if last and ends_here():
            words += b"; COMMIT"
        result = _sent(raw, words)
    return result.get_value(0, 0) if result.ntuples and result.nfields else None


def ends_here() -> bool:
    """Whether the transaction in hand is the outermost one, so that a statement may carry its end."""
    return connection.in_atomic_block and not connection.savepoint_ids


@contextmanager
def nothing_more() -> Iterator[None]:
    """Until it is left, Django's connection refuses statements: the transaction has ended with its last one."""

    def refused(*_args: Any) -> NoReturn:
        raise AssertionError("A statement came after the last one of its transaction.")

    with connection.execute_wrapper(refused):
        yield


def _prepare(raw: psycopg.Connection[Any], statement: Statement) -> None:
    names = _known.setdefault(raw, set())
    if statement.name not in names:
        _sent(raw, statement.preparing)
        names.add(statement.name)


def _sent(raw: psycopg.Connection[Any], words: bytes) -> psycopg.pq.abc.PGresult:
    """One message and its answer, without psycopg's own way of several; a lost connection is an OperationalError."""
    result = raw.pgconn.exec_(words)
    if result.status in (ExecStatus.TUPLES_OK, ExecStatus.COMMAND_OK):
        return result
    if raw.pgconn.status == ConnStatus.BAD:
        raise psycopg.OperationalError(raw.pgconn.get_error_message())
    raise psycopg.errors.error_from_result(result, encoding=raw.info.encoding)


def lean_check() -> None:
    """Let this request's first statement be the check of a kept connection, in place of one more round trip.

    Whoever calls this must be ready for that statement to fail on a connection that has died.
    """
    if connection.connection is not None:
        cast(Any, connection).health_check_done = True
