"""The first people of a registry: a large register file laid into empty tables as a set, keys and indexes at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import psycopg
from django.db import connection

from screening.models import Person
from screening.models.people import PersonIdentifier
from screening.services.register_sql import NEW_COLUMNS, NEW_DATES, NEW_VALUES, WITH_NOBODY

MANY, LONG_LINE = 20_000, 200
"""From so many lines on, indexes built over the whole cost less than each row's place in them; so many bytes are a long one."""
PEOPLE, NUMBERS, LINES = "screening_person", "screening_personidentifier", "screening_stagedperson"
_OURS = """SELECT 1 FROM pg_class WHERE oid = to_regclass('pg_temp.screening_key_away')
        AND relowner = (SELECT oid FROM pg_roles WHERE rolname = current_user)"""

KEYS_AWAY = f"""
DROP FUNCTION IF EXISTS screening_first_people(bigint, date, date[], date[], date[], bool[], date[], text[]);

DROP FUNCTION IF EXISTS screening_keys_back();

DROP FUNCTION IF EXISTS screening_keys_back(text[]);

CREATE OR REPLACE FUNCTION screening_keys_owed() RETURNS trigger
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    IF EXISTS (SELECT 1 FROM pg_temp.screening_key_away) THEN
        RAISE EXCEPTION 'The keys of the register''s tables are away; they have to be back before anything is kept.';
    END IF;
    RETURN NULL;
END $$;

CREATE OR REPLACE FUNCTION screening_keys_away(names text[]) RETURNS bool
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp SET default_statistics_target = 10 AS $$
DECLARE
    filled regclass[] := names::regclass[];
    touched regclass;
    found bool;
    statement text;
BEGIN
    IF NOT names <@ ARRAY['{PEOPLE}', '{NUMBERS}', '{LINES}'] THEN
        RAISE EXCEPTION 'The keys of these tables stay: %', names;
    END IF;
    IF current_setting('transaction_isolation') <> 'read committed' THEN
        RAISE EXCEPTION 'Only who sees what others have just kept may call a table empty.';
    END IF;
    EXECUTE (SELECT format('LOCK TABLE %s IN ACCESS EXCLUSIVE MODE NOWAIT', string_agg(t::text, ', ')) FROM (
        SELECT unnest(filled) UNION SELECT unnest(ARRAY[conrelid, confrelid]) FROM pg_constraint
        WHERE contype = 'f' AND (conrelid = ANY(filled) OR confrelid = ANY(filled))) AS touching (t));
    FOREACH touched IN ARRAY filled LOOP
        EXECUTE format('SELECT EXISTS (SELECT 1 FROM %s)', touched) INTO found;
        IF found THEN
            RAISE lock_not_available;
        END IF;
    END LOOP;
    IF to_regclass('pg_temp.screening_key_away') IS NULL THEN
        CREATE TEMP TABLE screening_key_away (turn int, holder regclass, gone text, back text) ON COMMIT DROP;
        CREATE CONSTRAINT TRIGGER keys_owed AFTER INSERT ON pg_temp.screening_key_away
            DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION screening_keys_owed();
    ELSIF NOT EXISTS ({_OURS}) THEN
        RAISE EXCEPTION 'Another table stands where the keys would be noted.';
    END IF;
    INSERT INTO pg_temp.screening_key_away
        SELECT CASE contype WHEN 'f' THEN 1 ELSE 2 END, conrelid,
            format('ALTER TABLE %s DROP CONSTRAINT %I', conrelid::regclass, conname),
            format('ALTER TABLE %s ADD CONSTRAINT %I %s', conrelid::regclass, conname, pg_get_constraintdef(oid))
        FROM pg_constraint
        WHERE contype IN ('f', 'p', 'u') AND conrelid = ANY(filled) OR contype = 'f' AND confrelid = ANY(filled)
        UNION ALL
        SELECT 2, indrelid, format('DROP INDEX %s', indexrelid::regclass), pg_get_indexdef(indexrelid)
        FROM pg_index WHERE indrelid = ANY(filled) AND NOT EXISTS (SELECT 1 FROM pg_constraint WHERE conindid = indexrelid);
    IF '{PEOPLE}' = ANY(names) AND NOT '{LINES}' = ANY(names) THEN
        ANALYZE {LINES} (load_id, line);
    END IF;
    FOR statement IN SELECT gone FROM pg_temp.screening_key_away ORDER BY turn, gone LOOP
        EXECUTE statement;
    END LOOP;
    EXECUTE format('TRUNCATE %s', array_to_string(filled, ', '));
    RETURN true;
EXCEPTION WHEN lock_not_available OR object_in_use THEN
    RETURN false;
END $$;

CREATE OR REPLACE FUNCTION screening_keys_back(names text[] DEFAULT NULL, alone bool DEFAULT false) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp SET maintenance_work_mem = '256MB'
SET enable_nestloop = off AS $$
DECLARE
    chosen regclass[] := names::regclass[];
    workers text := current_setting('max_parallel_maintenance_workers');
    statement text;
    filled text;
    last bigint;
BEGIN
    IF NOT EXISTS ({_OURS}) THEN
        RAISE EXCEPTION 'No keys are away.';
    END IF;
    PERFORM set_config('max_parallel_maintenance_workers', '0', true) WHERE alone;
    FOR statement IN SELECT back FROM pg_temp.screening_key_away
            WHERE chosen IS NULL OR turn = 2 AND holder = ANY(chosen) ORDER BY turn DESC, gone LOOP
        EXECUTE statement;
    END LOOP;
    PERFORM set_config('max_parallel_maintenance_workers', workers, true);
    DELETE FROM pg_temp.screening_key_away WHERE chosen IS NULL OR turn = 2 AND holder = ANY(chosen);
    IF chosen IS NOT NULL THEN
        RETURN;
    END IF;
    FOREACH filled IN ARRAY ARRAY['{PEOPLE}', '{NUMBERS}'] LOOP
        EXECUTE format('SELECT max(id) FROM %I', filled) INTO last;
        PERFORM setval(pg_get_serial_sequence(filled, 'id'), last) WHERE last IS NOT NULL;
    END LOOP;
END $$;
"""
"""Made as owner after each migration. `screening_keys_away` takes the keys and indexes off empty tables, begins the tables anew,
so that COPY may lay rows down as if they had long been there (FREEZE), and says whether it could: not where a row stands in them
already or another transaction is at them. `screening_keys_back` brings all of them back, or at first those of some tables that
stand on no other table (`alone`: without a second process, where the other processor is busy), and raises what a row breaks of
them. What took them away is not kept without them: a trigger asks as the transaction ends."""

_BELOW = f"""
SELECT nextval(pg_get_serial_sequence('{PEOPLE}', 'id')) AS below, nextval(pg_get_serial_sequence('{NUMBERS}', 'id')) AS numbered
"""
_FIRST_NUMBERS = f"""
INSERT INTO {NUMBERS} (id, person_id, scheme, value, valid_from)
SELECT %(numbered)s + line, %(below)s + line, '{PersonIdentifier.REGISTER}', person_number, %(today)s
FROM {LINES} WHERE load_id = %(load)s ORDER BY line
"""
_FIRST_PEOPLE = f"""
INSERT INTO {PEOPLE} (id, {", ".join(NEW_COLUMNS)})
SELECT %(below)s + s.line, {", ".join(NEW_VALUES.values())}, false, %(load)s, d.due, coalesce(d.code, '')
{WITH_NOBODY}
LEFT JOIN unnest(%(births)s::date[], %(deaths)s::date[], %(lefts)s::date[], %(addressed)s::bool[], %(dues)s::date[],
    %(codes)s::text[]) AS d {NEW_DATES.format(facts="s")}
WHERE s.load_id = %(load)s
"""

Dates = Callable[[list[tuple[Any, ...]]], dict[str, str]]
"""Answers combinations of facts (see `register_sql.NEW_FACTS`) with the next dates, as arrays written as text."""


def many_lines(content: bytes) -> bool:
    """Whether a file has that many lines, or is so large that it is likely."""
    return len(content) > MANY * LONG_LINE or content.count(b"\n") >= MANY


def nobody_yet() -> bool:
    """Whether the registry has no person at all."""
    return not Person.objects.exists()


@contextmanager
def keys_away(*tables: str) -> Iterator[bool]:
    """Inside the block these empty tables have no keys and indexes; false where they had to stay. Inside a transaction.

    Where the block raises, whoever catches it has to roll back to before it.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT screening_keys_away(%s)", [list(tables)])
        away = bool(cursor.fetchone()[0])
        yield away
        if away:
            cursor.execute("SELECT screening_keys_back()")


def first_people(facts: dict[str, Any], combinations: str, dates: Dates) -> int | None:
    """Write a load's lines as the first people; None where the ordinary way is needed.

    Their next dates are worked out from the rows of `combinations` while the server lays in their numbers.
    """
    with keys_away(PEOPLE, NUMBERS) as away, connection.cursor() as cursor, ThreadPoolExecutor(1) as beside:
        if not away:
            return None
        cursor.execute(_BELOW)
        below, numbered = cursor.fetchone()
        facts = facts | {"below": below, "numbered": numbered}
        cursor.execute(combinations, facts)
        found = cursor.fetchall()
        server = psycopg.Cursor(connection.connection)
        numbers = beside.submit(server.execute, _FIRST_NUMBERS, facts)
        facts |= dates(found)
        numbers.result()
        # Merging would lay people down in the order of their birth.
        cursor.execute("SET LOCAL enable_mergejoin = off")
        cursor.execute(_FIRST_PEOPLE, facts)
        made = int(cursor.rowcount)
        cursor.execute("SET LOCAL enable_mergejoin = on")
        return made
