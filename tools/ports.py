"""Which port the demo's pages are served on."""

import socket
from collections.abc import Mapping

from tools.say import StopError

FIRST = 8000
TRIES = 50


def is_free(host: str, port: int) -> bool:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            line.bind((host, port))
        except OSError:
            return False
    return True


def choose(environment: Mapping[str, str], host: str = "127.0.0.1") -> tuple[int, str]:
    """The port to use and, when it is not the usual one, a sentence about it."""
    asked = environment.get("ROUNDBOOK_PORT", "")
    if asked:
        return _asked_for(asked, host), ""
    for port in range(FIRST, FIRST + TRIES):
        if is_free(host, port):
            return port, "" if port == FIRST else f"Port {FIRST} is in use, so this demo uses {port}."
    raise StopError(
        f"Ports {FIRST} to {FIRST + TRIES - 1} are all in use. Name a free one: ROUNDBOOK_PORT=9000 make demo"
    )


def _asked_for(asked: str, host: str) -> int:
    if not asked.isdigit() or not 0 < int(asked) < 65536:
        raise StopError(f"ROUNDBOOK_PORT is {asked!r}; give a number from 1 to 65535.")
    if not is_free(host, int(asked)):
        raise StopError(
            f"Port {asked}, named by ROUNDBOOK_PORT, is in use or not allowed. Name another, or unset "
            f"ROUNDBOOK_PORT to let the demo find a free one."
        )
    return int(asked)
