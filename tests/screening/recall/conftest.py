"""The browser and the server, as at the desk."""

from tests.screening.intake.conftest import browser, player, program, server

__all__ = ["browser", "player", "program", "server"]
