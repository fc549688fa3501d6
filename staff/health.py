"""Whether this process can do its work: the database answers, and holds what this version of the code expects."""

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor

_known_complete = False


def not_ready() -> str:
    """What is amiss, in a few words for whoever watches; empty when ready. Costs one statement once all is well."""
    global _known_complete
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
        if not _known_complete:
            executor = MigrationExecutor(connection)
            if executor.migration_plan(executor.loader.graph.leaf_nodes()):
                return "the database waits for its migration: run deploy/bin/migrate"
            _known_complete = True
    except DatabaseError:
        connection.close()
        return "no database"
    return ""
