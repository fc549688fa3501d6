"""Long lists as one text for the database to read: a driver that looks at each value of a list costs six times as much."""

from collections.abc import Iterable
from datetime import date

Value = int | str | date | None


def array_text(values: Iterable[Value]) -> str:
    """A list of numbers, truths, days or texts as PostgreSQL writes an array; cast it where it is used (``%s::bigint[]``).

    >>> array_text([1, None, 3]), array_text(["a b", 'say "so"', ""])
    ('{1,NULL,3}', '{"a b","say \\\\"so\\\\"",""}')
    """
    return "{" + ",".join([_element(value) for value in values]) + "}"


def _element(value: Value) -> str:
    if value is None:
        return "NULL"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return str(value)
