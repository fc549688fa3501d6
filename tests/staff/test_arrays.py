"""A list written as one text is read by the database as the list it was."""

from datetime import date

import pytest
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from staff.arrays import Value, array_text

pytestmark = pytest.mark.django_db
TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=12)
LISTS = st.one_of(
    st.tuples(st.just("bigint"), st.lists(st.none() | st.integers(-(2**63), 2**63 - 1))),
    st.tuples(st.just("boolean"), st.lists(st.none() | st.booleans())),
    st.tuples(st.just("date"), st.lists(st.none() | st.dates(date(1, 1, 1)))),
    st.tuples(st.just("text"), st.lists(st.none() | TEXTS | st.sampled_from(["NULL", "null", "{", "a,b", "\\", '"', " ", ""]))),
)  # fmt: skip


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(LISTS)
def test_what_was_written_is_read(list_: tuple[str, list[Value]]) -> None:
    kind, values = list_
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT %s::{kind}[]", [array_text(values)])
        assert cursor.fetchone()[0] == values
