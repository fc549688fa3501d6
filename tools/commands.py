"""The table of commands behind tools/dev.py."""

import argparse
import shutil
from collections.abc import Callable, Sequence

from tools import checks, demo, libraries, machine
from tools.say import PROJECT, StopError, say, warn

CACHES = (".pytest_cache", ".mypy_cache", ".ruff_cache", ".import_linter_cache", ".hypothesis", "staticfiles")


def setup(_arguments: Sequence[str]) -> int:
    libraries.ensure("dev.txt")
    machine.provide(machine.TEST_NEEDS, may_go_on=True)
    say("Everything needed is here.")
    return 0


def clean(_arguments: Sequence[str]) -> int:
    """Remove caches; data and installed libraries stay."""
    for name in CACHES:
        shutil.rmtree(PROJECT / name, ignore_errors=True)
    for folder in PROJECT.rglob("__pycache__"):
        if ".venv" not in folder.parts:
            shutil.rmtree(folder, ignore_errors=True)
    return 0


def one_desk(rest: Sequence[str]) -> int:
    """The small demo; `reset` starts it over, `stop` ends one left running."""
    demo.one_desk()
    doors = {"reset": demo.reset, "stop": demo.stop}
    return doors.get(rest[0] if rest else "", demo.run)()


COMMANDS: dict[str, tuple[Callable[[Sequence[str]], int], str]] = {
    "demo": (lambda _: demo.run(), "set up and start the demo; stop with Ctrl-C"),
    "demo-one-desk": (one_desk, "a small demo: a clinic of one desk; then reset or stop"),
    "demo-reset": (lambda _: demo.reset(), "delete the demo's data and start over"),
    "stop": (lambda _: demo.stop(), "end a demo left running, and its servers"),
    "test": (checks.test, "set up and run the tests; arguments go to pytest"),
    "test-second": (
        checks.test_second,
        "the production shape, then a quick part of the tests, on this machine's own servers",
    ),
    "test-production": (
        checks.production,
        "the production shape on this machine's own PostgreSQL, Redis and nginx",
    ),
    "image-trial": (checks.image, "build the production image with the engine at hand and try it"),
    "setup": (setup, "install what tests and tools need"),
    "lint": (checks.lint, "style, import contracts, templates"),
    "format": (checks.format_code, "lay the code out"),
    "types": (checks.types, "strict types"),
    "migrations-check": (checks.migrations, "models, migrations and settings agree"),
    "deploy-check": (checks.deploy, "the production files hold together"),
    "campaign": (checks.campaign, "the long tests"),
    "measure": (lambda rest: demo.forward(["measure", *rest]), "measure speed against bare limits"),
    "clean": (clean, "remove caches"),
}


def _parser() -> argparse.ArgumentParser:
    lines = [f"  {name:<18}{text}" for name, (_function, text) in COMMANDS.items()]
    parser = argparse.ArgumentParser(
        prog="python3 tools/dev.py",
        description="Roundbook's front door.",
        epilog="commands:\n" + "\n".join(lines),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("command", choices=sorted(COMMANDS), metavar="command")
    parser.add_argument("rest", nargs=argparse.REMAINDER, metavar="…", help="passed on")
    return parser


def run(arguments: Sequence[str]) -> int:
    """Run one command; the exit status says whether it worked."""
    given = _parser().parse_args(arguments)
    function, _text = COMMANDS[given.command]
    rest = [part for part in given.rest if part != "--"]
    try:
        return function(rest)
    except StopError as error:
        warn(f"\n{error}")
        return 1
    except PermissionError as error:
        warn(
            f"\nYou may not use {error.filename}: another user made it. Run this as that user, or copy the project "
            f"to a folder of your own."
        )
        return 1
    except KeyboardInterrupt:
        warn("\nStopped.")
        return 130
