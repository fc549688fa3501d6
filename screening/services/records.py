"""The records of one person: what somebody said for one of them holds for all."""


def records_of(person: str) -> str:
    """SQL for the ids of the record named `person` in a statement and of those put under it."""
    return f"(SELECT {person}.id UNION ALL SELECT put.id FROM screening_person put WHERE put.merged_into_id = {person}.id)"
