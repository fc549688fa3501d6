"""What keeps the code good: tests, style, types, migrations, the production shape."""

import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence

from tools import demo, libraries, machine
from tools.say import PROJECT, say, warn

NOTHING_COLLECTED = 5
LINTER_CALL = (
    "import sys; from importlinter.cli import lint_imports_command; sys.exit(lint_imports_command())"
)
DEPLOY_TESTS = ("tests/architecture/test_deploy_shape.py", "tests/production/test_refusals.py")
PRODUCTION_EXAMPLE = {
    "ROUNDBOOK_ENV": "production",
    "ROUNDBOOK_SECRET_KEY": "checks-only-" + "9f3k-Q7w2_" * 6,
    "ROUNDBOOK_HOSTS": "roundbook.example",
    "ROUNDBOOK_PROXIES": "1",
    "DATABASE_URL": "postgres://roundbook_app@localhost/roundbook",
    "DATABASE_OWNER_URL": "postgres://roundbook_owner@localhost/roundbook",
    "REDIS_URL": "redis://localhost:6379/0",
}


def _run(arguments: Sequence[str], extra: Mapping[str, str] | None = None) -> int:
    env = {**os.environ, **(extra or {})}
    return subprocess.run([str(libraries.PYTHON), *arguments], cwd=PROJECT, env=env, check=False).returncode


def _all(steps: Sequence[tuple[str, Sequence[str]]], extra: Mapping[str, str] | None = None) -> int:
    """Run every step, so that one report names every trouble; non-zero when any failed."""
    failed = []
    for title, arguments in steps:
        say(f"== {title}")
        if _run(arguments, extra) != 0:
            failed.append(title)
    if failed:
        warn(f"Failed: {', '.join(failed)}")
    return 1 if failed else 0


def template_folders() -> list[str]:
    found = [PROJECT / "templates", *sorted(PROJECT.glob("*/templates"))]
    return [str(path.relative_to(PROJECT)) for path in found if path.is_dir() and any(path.rglob("*.html"))]


def lint(_arguments: Sequence[str]) -> int:
    libraries.ensure("dev.txt")
    steps = [
        ("ruff check", ["-m", "ruff", "check", "."]),
        ("ruff format", ["-m", "ruff", "format", "--check", "."]),
        ("import contracts", ["-c", LINTER_CALL]),
    ]
    folders = template_folders()
    if folders:
        steps.append(("templates", ["-m", "djlint", "--lint", "--quiet", *folders]))
    return _all(steps)


def format_code(_arguments: Sequence[str]) -> int:
    libraries.ensure("dev.txt")
    return _all(
        [
            ("ruff fixes", ["-m", "ruff", "check", "--fix", "."]),
            ("ruff format", ["-m", "ruff", "format", "."]),
        ]
    )


def types(arguments: Sequence[str]) -> int:
    libraries.ensure("dev.txt")
    return _run(["-m", "mypy", *(arguments or ["."])], {"ROUNDBOOK_NO_DATABASE": "1"})


def migrations(_arguments: Sequence[str]) -> int:
    """No model without its migration, and no failing system check."""
    libraries.ensure("dev.txt")
    with_models = [
        ("system checks", ["manage.py", "check", "--fail-level", "WARNING"]),
        ("models and migrations agree", ["manage.py", "makemigrations", "--check", "--dry-run"]),
    ]
    with demo.servers_as_found():
        return _all(with_models)


def test(arguments: Sequence[str]) -> int:
    """The test suite; what is given behind `--` goes to pytest. Without a place named, all but the production shape's own."""
    libraries.ensure("dev.txt")
    machine.provide(machine.TEST_NEEDS, may_go_on=False)
    chosen = list(arguments)
    if not any(not part.startswith("-") and (PROJECT / part.split("::")[0]).exists() for part in chosen):
        chosen += ["tests", *(() if "-m" in chosen else ("--ignore=tests/production",))]
    if "-m" not in chosen:
        chosen = ["-m", "not campaign", *chosen]
    processes = os.environ.get("ROUNDBOOK_TEST_PROCESSES", "2")
    return _pytest(["-n", processes, "--dist", "loadgroup", *chosen])


def test_second(arguments: Sequence[str]) -> int:
    """The production shape on the machine's own servers, then a quick part of the suite on that PostgreSQL.

    With arguments, only those tests, on a cluster of its own.
    """
    libraries.ensure("dev.txt")
    if arguments:
        return _run(["tools/second_postgres.py", *arguments])
    return _run(["tools/production_trial.py", "--then-tests"])


def production(_arguments: Sequence[str]) -> int:
    """The production shape alone."""
    libraries.ensure("dev.txt")
    return _run(["tools/production_trial.py"])


def image(arguments: Sequence[str]) -> int:
    """The production image, built and tried by whatever engine is here."""
    libraries.ensure("dev.txt")
    return _run(["tools/image_trial.py", *arguments])


def campaign(arguments: Sequence[str]) -> int:
    """The long campaigns, kept out of the ordinary suite."""
    libraries.ensure("dev.txt")
    machine.provide(machine.TEST_NEEDS, may_go_on=False)
    return _pytest(["-m", "campaign", *(arguments or ["tests"])], {"ROUNDBOOK_CAMPAIGN": "long"})


def _pytest(arguments: Sequence[str], extra: Mapping[str, str] | None = None) -> int:
    with demo.servers_as_found():
        outcome = _run(["-m", "pytest", *arguments], {"ROUNDBOOK_ENV": "test", **(extra or {})})
    if outcome == NOTHING_COLLECTED:
        warn("No test was found, which counts as a failure. Name an existing file, or check the selection.")
    return outcome


def deploy(_arguments: Sequence[str]) -> int:
    """The production files, as far as they can be checked without running containers."""
    docker = shutil.which("docker")
    has_compose = docker and subprocess.run([docker, "compose", "version"], check=False, capture_output=True)
    if docker and has_compose and has_compose.returncode == 0:
        say("== docker compose config")
        env = {**os.environ, **example_secrets()}
        done = subprocess.run([docker, "compose", "config", "-q"], cwd=PROJECT, env=env, check=False)
        if done.returncode != 0:
            return done.returncode
    else:
        say("== docker compose is not on this machine; the files are read by the test instead")
    libraries.ensure("dev.txt")
    warned = _all(
        [
            (
                "production settings without a warning",
                ["manage.py", "check", "--deploy", "--fail-level", "WARNING"],
            )
        ],
        PRODUCTION_EXAMPLE,
    )
    return warned or _pytest(["-q", "-p", "no:cacheprovider", *DEPLOY_TESTS])


def example_secrets() -> dict[str, str]:
    """A value for each name that docker-compose.yml demands, for checking only."""
    names = [line.split("=", 1)[0] for line in (PROJECT / "deploy" / "env.example").read_text().splitlines()]
    return {name: "example" for name in names if name and not name.startswith("#")}
