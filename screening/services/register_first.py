"""The first people of a registry: a large register file laid into empty tables as a set, keys and indexes at the end."""

from __future__ import annotations

from typing import Any

from django.db import connection

from screening.models import Person
from screening.models.people import PersonIdentifier
from screening.services.register_sql import NEW_COLUMNS, NEW_DATES, NEW_VALUES, WITH_NOBODY

MANY = 20_000
"""From so many lines on, indexes built over the whole cost less than each row's place in them."""

FIRST_PEOPLE = f"""
CREATE OR REPLACE FUNCTION screening_first_people(of_load bigint, today date, births date[], deaths date[], lefts date[],
    addressed bool[], dues date[], codes text[]) RETURNS bigint
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp
SET enable_nestloop = off SET enable_sort = off SET maintenance_work_mem = '256MB' AS $$
DECLARE
    filled regclass[] := ARRAY['screening_person', 'screening_personidentifier']::regclass[];
    touched regclass;
    dropped text[];
    built text[];
    statement text;
    below bigint;
    numbered bigint;
    last integer;
    made bigint;
BEGIN
    LOCK TABLE screening_person, screening_personidentifier, screening_area, screening_practice, screening_registerload
        IN ACCESS EXCLUSIVE MODE NOWAIT;
    IF EXISTS (SELECT 1 FROM screening_person) OR EXISTS (SELECT 1 FROM screening_personidentifier) THEN
        RETURN NULL;
    END IF;
    FOR touched IN SELECT DISTINCT conrelid::regclass FROM pg_constraint WHERE contype = 'f' AND confrelid = ANY(filled) LOOP
        EXECUTE format('LOCK TABLE %s IN ACCESS EXCLUSIVE MODE NOWAIT', touched);
    END LOOP;
    SELECT array_agg(gone ORDER BY turn, gone), array_agg(back ORDER BY turn DESC, gone) INTO dropped, built FROM (
        SELECT format('ALTER TABLE %s DROP CONSTRAINT %I', conrelid::regclass, conname) AS gone,
            format('ALTER TABLE %s ADD CONSTRAINT %I %s', conrelid::regclass, conname, pg_get_constraintdef(oid)) AS back,
            CASE contype WHEN 'f' THEN 1 ELSE 2 END AS turn
        FROM pg_constraint
        WHERE contype IN ('f', 'p', 'u') AND conrelid = ANY(filled) OR contype = 'f' AND confrelid = ANY(filled)
        UNION ALL
        SELECT format('DROP INDEX %s', indexrelid::regclass), pg_get_indexdef(indexrelid), 2
        FROM pg_index WHERE indrelid = ANY(filled) AND NOT EXISTS (SELECT 1 FROM pg_constraint WHERE conindid = indexrelid)
        ) parts;
    ANALYZE screening_stagedperson (load_id, line);
    FOREACH statement IN ARRAY dropped LOOP
        EXECUTE statement;
    END LOOP;
    below := nextval(pg_get_serial_sequence('screening_person', 'id'));
    numbered := nextval(pg_get_serial_sequence('screening_personidentifier', 'id'));
    INSERT INTO screening_person (id, {", ".join(NEW_COLUMNS)})
    SELECT below + s.line, {", ".join(NEW_VALUES.values())}, false, of_load, d.due, coalesce(d.code, '')
    {WITH_NOBODY}
    LEFT JOIN unnest(births, deaths, lefts, addressed, dues, codes) AS d {NEW_DATES.format(facts="s")}
    WHERE s.load_id = of_load;
    GET DIAGNOSTICS made = ROW_COUNT;
    INSERT INTO screening_personidentifier (id, person_id, scheme, value, valid_from)
    SELECT numbered + line, below + line, '{PersonIdentifier.REGISTER}', person_number, today
    FROM screening_stagedperson WHERE load_id = of_load ORDER BY line;
    SELECT max(line) INTO last FROM screening_stagedperson WHERE load_id = of_load;
    PERFORM setval(pg_get_serial_sequence('screening_person', 'id'), below + last),
        setval(pg_get_serial_sequence('screening_personidentifier', 'id'), numbered + last);
    FOREACH statement IN ARRAY built LOOP
        EXECUTE statement;
    END LOOP;
    RETURN made;
EXCEPTION WHEN lock_not_available OR object_in_use THEN
    RETURN NULL;
END $$;
"""
"""Made as owner after each migration. It gives how many people were made, or nothing where it did nothing: somebody is there
already, or another transaction is at these tables. What a row breaks of a key or a unique index is raised at the end; the
transaction that calls it holds the tables until it ends, and one that dies leaves them as they were, empty."""

_CALL = """
SELECT screening_first_people(%(load)s, %(today)s, %(births)s::date[], %(deaths)s::date[], %(lefts)s::date[],
    %(addressed)s::bool[], %(dues)s::date[], %(codes)s::text[])
"""


def nobody_yet() -> bool:
    """Whether the registry has no person at all."""
    return not Person.objects.exists()


def first_people(facts: dict[str, Any]) -> int | None:
    """Write a load's lines as the first people, with the next dates in `facts`; None where the ordinary way is needed."""
    with connection.cursor() as cursor:
        cursor.execute(_CALL, facts)
        made = cursor.fetchone()[0]
    return None if made is None else int(made)
