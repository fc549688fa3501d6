"""The records of one person: what somebody said for one of them holds for all."""


def records_of(person: str) -> str:
    """SQL for the ids of the record named `person` in a statement and of those put under it, as an array.

    An index finds what stands on them (`person_id = ANY(…)`); a list in its place would be walked for each person.
    """
    return f"ARRAY(SELECT {person}.id UNION ALL SELECT put.id FROM screening_person put WHERE put.merged_into_id = {person}.id)"
