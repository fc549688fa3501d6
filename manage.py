#!/usr/bin/env python
"""The command line of Roundbook."""

import os
import sys

OWNER_COMMANDS = {"migrate", "makemigrations", "sqlmigrate", "flush", "pgtrigger"}


def main() -> None:
    """Run one management command, as the owner role where it changes the shape of the database."""
    if len(sys.argv) > 1 and sys.argv[1] in OWNER_COMMANDS:
        os.environ.setdefault("ROUNDBOOK_DB_ROLE", "owner")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
