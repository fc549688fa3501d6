"""Who carries text messages: a small interface, with one carrier that prints and one that writes files."""

from pathlib import Path
from typing import Protocol, cast

from django.conf import settings
from django.utils.module_loading import import_string


class CarrierRefused(Exception):
    """The carrier says that it will not bring this message; nothing was sent."""


class Carrier(Protocol):
    """Takes one text message. `reference` is ours and unique: a carrier that has seen it sends nothing again.

    Raises CarrierRefused when it will not bring it. Any other trouble leaves open whether it went; a person looks.
    """

    def send(self, *, to: str, words: str, reference: str) -> None:
        """Take the message."""


class ConsoleCarrier:
    """Prints messages where the worker prints: for trying out."""

    def send(self, *, to: str, words: str, reference: str) -> None:
        """Print it."""
        print(f"text message {reference} to {to}\n{words}\n", flush=True)  # noqa: T201


class FileCarrier:
    """Writes each message as one file in a folder, named by its reference, once."""

    def send(self, *, to: str, words: str, reference: str) -> None:
        """Write it, unless it is there."""
        folder = Path(settings.TEXT_FOLDER)
        folder.mkdir(parents=True, exist_ok=True)
        try:
            with (folder / f"{reference}.txt").open("x", encoding="utf-8") as out:
                out.write(f"To: {to}\n\n{words}\n")
        except FileExistsError:
            return


def text_carrier() -> Carrier:
    """The carrier the settings name."""
    return cast(Carrier, import_string(settings.TEXT_CARRIER)())
