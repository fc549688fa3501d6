"""Page tokens: which print run and place a sheet of paper belongs to, with a check character; pure."""

import re

from stdnum.exceptions import ValidationError
from stdnum.iso7064 import mod_37_36


def token_for(print_run_id: int, position: int) -> str:
    """The token printed on every page of one letter: run, place and an ISO 7064 MOD 37,36 check character.

    >>> token_for(12, 41)
    '12-41-J'
    """
    body = f"{print_run_id}-{position}"
    return f"{body}-{mod_37_36.calc_check_digit(_plain(body))}"


def token_read(typed: str) -> tuple[int, int] | None:
    """(print run, position) of a token as typed or scanned; None when it is not one or mistyped."""
    found = re.fullmatch(r"\s*(\d{1,8})-(\d{1,6})-([0-9A-Z])\s*", typed.upper())
    if not found:
        return None
    run, position, check = found.groups()
    try:
        mod_37_36.validate(_plain(f"{run}-{position}") + check)
    except ValidationError:
        return None
    return int(run), int(position)


def _plain(body: str) -> str:
    return body.replace("-", "A")
