"""How addresses in the environment become Django's settings."""

from typing import Any

import environ

PLANNED_ONCE = "-c plan_cache_mode=force_generic_plan"
"""The few statements kept prepared are planned once a connection: planning a scan anew costs more than the scan."""

CONNECT_SECONDS = 5
"""A database that is away is known as such while somebody still waits for the page."""


def database_config(url: str) -> dict[str, Any]:
    """Django's entry for a database address; a socket folder given as `?host=` becomes the host."""
    entry: dict[str, Any] = dict(environ.Env.db_url_config(url))
    options: dict[str, Any] = dict(entry.get("OPTIONS") or {})
    for option, key in (("host", "HOST"), ("port", "PORT")):
        if option in options:
            entry[key] = str(options.pop(option))
    options.setdefault("connect_timeout", CONNECT_SECONDS)
    options["options"] = f"{PLANNED_ONCE} {options.get('options', '')}".strip()
    entry["OPTIONS"] = options
    entry["ENGINE"] = "django.db.backends.postgresql"
    return entry
