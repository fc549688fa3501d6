"""The embedded PostgreSQL and Redis that serve when no address of another server is given."""

import os
import sys
from typing import NamedTuple
from urllib.parse import quote

from config import embedded_postgres, embedded_redis
from config.embedded_place import EmbeddedServerError, remove_socket_dir

__all__ = [
    "EmbeddedServerError",
    "PostgresUrls",
    "postgres",
    "postgres_urls",
    "redis_client_url",
    "redis_url",
    "status",
    "stop",
    "superuser_url",
]


class PostgresUrls(NamedTuple):
    """The two addresses of one database: who uses it, and who may change its shape."""

    app: str
    owner: str


def postgres_urls(database: str = embedded_postgres.DATABASE) -> PostgresUrls:
    """Both addresses, without starting anything."""
    return PostgresUrls(
        app=embedded_postgres.url(embedded_postgres.APP, database),
        owner=embedded_postgres.url(embedded_postgres.OWNER, database),
    )


def postgres() -> PostgresUrls:
    """Start the embedded PostgreSQL unless it runs, and return both addresses."""
    embedded_postgres.ensure_running()
    return postgres_urls()


def superuser_url(database: str = "postgres") -> str:
    """The superuser's address, for cloning test databases and restore drills."""
    embedded_postgres.ensure_running()
    return embedded_postgres.url(embedded_postgres.SUPERUSER, database)


def redis_url() -> str:
    """Start the embedded Redis unless it runs; its address in the form Celery reads."""
    embedded_redis.ensure_running()
    return f"redis+socket://{quote(str(embedded_redis.socket()))}"


def redis_client_url() -> str:
    """Start the embedded Redis unless it runs; its address in the form redis-py reads."""
    embedded_redis.ensure_running()
    return f"unix://{quote(str(embedded_redis.socket()))}"


def stop() -> bool:
    """Stop both servers, keeping their data; True when any was running."""
    stopped = (embedded_redis.stop(), embedded_postgres.stop())
    remove_socket_dir()
    return any(stopped)


def status() -> dict[str, bool]:
    """Which of the two servers answer now."""
    return {"postgres": embedded_postgres.is_running(), "redis": embedded_redis.is_running()}


def _start_wanted(*, quiet: bool) -> None:
    """Start those servers for which the environment names no other."""
    addresses: list[str] = []
    if not os.environ.get("DATABASE_URL"):
        addresses.extend(postgres())
    if not os.environ.get("REDIS_URL"):
        addresses.append(redis_url())
    if not quiet:
        print(*addresses, sep="\n")


def main(arguments: list[str]) -> int:
    """`python -m config.embedded start|stop|status [--quiet]`."""
    quiet = "--quiet" in arguments
    commands = [part for part in arguments if part != "--quiet"]
    command = commands[0] if len(commands) == 1 else ""
    try:
        if command == "start":
            _start_wanted(quiet=quiet)
        elif command == "stop":
            words = "Stopped." if stop() else "Nothing was running."
            print("" if quiet else f"{words}\n", end="")
        elif command == "status":
            running = status()
            print(
                *(f"{name}: {'running' if on else 'not running'}" for name, on in running.items()), sep="\n"
            )
            return 0 if all(running.values()) else 3
        else:
            print("Say one of: start, stop, status.", file=sys.stderr)
            return 2
    except EmbeddedServerError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
