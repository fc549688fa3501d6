"""The production image tried: built by the engine at hand; unprivileged, small, makes letters, refuses, serves, stops."""

import argparse
import json
import secrets
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from tools import machine
from tools.production import HOST_NAME, free_port
from tools.production_trial import NEEDS, STOPS_WITHIN, demand, postgres, redis
from tools.say import PROJECT, StopError, as_program, say, warn

OURS_AT_MOST, WHOLE_AT_MOST = 640, 850
"""Megabytes: of the libraries and programs, and of everything with the system below them."""
LEFT_OUT = (
    ".git",
    ".venv",
    ".run/postgres",
    ".env",
    ".ci",
    "tests",
    "tools",
    "fixtures",
    "requirements/dev.txt",
)
NONE_HERE = (
    "There is no Docker that answers, no Podman and no Buildah on this machine, so the image was not tried. "
    "On Debian: sudo apt-get install podman"
)
# What compose gives the containers of ours.
RIGHTS = (
    "--read-only", "--tmpfs=/tmp", "--cap-drop=ALL", "--security-opt=no-new-privileges", "--network=host",
)  # fmt: skip
ENGINE_FAILED = 125
"""From this status on it is the engine that failed, not the command inside (docker-run, podman-run: exit status)."""
LETTER = """
import django
django.setup()
from outreach.letters.contexts import checksum_of
from outreach.letters.render import Sheet, letters_render
from outreach.letters.texts import chosen_from, texts_delivered
from outreach.letters.trying import trial_words
text = texts_delivered()[0]
for language in ("en", "ar"):
    chosen = chosen_from(text, language, "plain")
    words = trial_words(text.kind, chosen.language)
    check = checksum_of(text_version=chosen.version, words_digest=text.digest, context=words)
    made = letters_render([Sheet("0-1-TRY", chosen.version, words, check, chosen=chosen)], title="Trial").content
    assert made.startswith(b"%PDF-") and made.rstrip().endswith(b"%%EOF")
    print(f"{chosen.version} {len(made) // 1024} KB", end="; ")
"""


@dataclass
class Engine:
    """Docker or Podman, which are told the same things."""

    program: str
    image: str = "roundbook:trial"

    def build(self, options: Sequence[str]) -> None:
        self.call("build", *options, "--tag", self.image, str(PROJECT), shown=True)

    def command(self, env: Mapping[str, str], *command: str) -> list[str]:
        """The call that runs a command in a container of its own."""
        given = [part for name, value in env.items() for part in ("--env", f"{name}={value}")]
        return [self.program, "run", "--rm", *RIGHTS, *given, self.image, *command]

    def forget(self) -> None:
        self.call("rmi", "--force", self.image)

    def call(self, *arguments: str, shown: bool = False) -> str:
        """What one of the engine's commands printed; `shown`: to the person at the keyboard instead."""
        done = subprocess.run([self.program, *arguments], capture_output=not shown, text=True, check=False)
        if done.returncode != 0:
            raise StopError(
                f"{self.program} {arguments[0]} ended with {done.returncode}.\n{done.stderr or ''}"
            )
        return done.stdout or ""


class Buildah(Engine):
    """Builds without a service, and runs in one working container with fewer walls around it."""

    container = ""

    def build(self, options: Sequence[str]) -> None:
        self.call("bud", *options, "--tag", self.image, str(PROJECT), shown=True)
        self.container = self.call("from", self.image).strip()

    def command(self, env: Mapping[str, str], *command: str) -> list[str]:
        given = [part for name, value in env.items() for part in ("--env", f"{name}={value}")]
        return [self.program, "run", "--isolation", "chroot", *given, self.container, "--", *command]

    def forget(self) -> None:
        if self.container:
            self.call("rm", self.container)
        super().forget()


def engine_here() -> Engine | None:
    """The first that works: a Docker whose service answers, Podman, Buildah."""
    for name, kind in (("docker", Engine), ("podman", Engine), ("buildah", Buildah)):
        program = shutil.which(name)
        answers = (
            program and subprocess.run([program, "info"], capture_output=True, check=False).returncode == 0
        )
        if program and answers:
            return kind(program)
    return None


class Trial:
    """The checks, in order; each says in one line what it saw, or raises StopError."""

    def __init__(self, engine: Engine, app: str, owner: str, queue: str) -> None:
        self.engine, self.owner = engine, owner
        self.env = {
            "ROUNDBOOK_SECRET_KEY": secrets.token_urlsafe(60), "ROUNDBOOK_HOSTS": HOST_NAME, "ROUNDBOOK_PROXIES": "1",
            "DATABASE_URL": app, "REDIS_URL": queue, "ROUNDBOOK_WEB_PROCESSES": "1",
        }  # fmt: skip

    def run(self) -> None:
        """All of them."""
        steps: tuple[tuple[str, Callable[[], str]], ...] = (
            ("unprivileged", self.unprivileged), ("holds only what it needs", self.lean), ("size", self.small),
            ("refuses without settings", self.refuses), ("settings without a warning", self.checked),
            ("letters", self.letters), ("migrated", self.migrated), ("serves", self.serves), ("works", self.works),
        )  # fmt: skip
        for title, step in steps:
            began = time.monotonic()
            said = step()
            say(f"ok  {title}: {said} ({time.monotonic() - began:.1f} s)")

    def inside(self, *command: str, env: Mapping[str, str] | None = None, fails: bool = False) -> str:
        """What a command printed in a container of its own."""
        call = self.engine.command(self.env if env is None else env, *command)
        done = subprocess.run(call, capture_output=True, text=True, check=False, timeout=600)
        as_wanted = 0 < done.returncode < ENGINE_FAILED if fails else done.returncode == 0
        demand(
            as_wanted, f"{' '.join(command)[:80]} ended with {done.returncode}:\n{done.stdout}{done.stderr}"
        )
        return (done.stderr if fails else done.stdout).strip()

    def unprivileged(self) -> str:
        user = self.inside("id", "-u")
        demand(user.isdigit() and int(user) >= 1000, f"it runs as user {user}")
        for place in ("/app/manage.py", "/opt/venv/bin/python", "/etc/passwd"):
            self.inside("test", "-w", place, fails=True)
        return f"user {user}, who may not write its own programs"

    def lean(self) -> str:
        for name in LEFT_OUT:
            self.inside("test", "-e", f"/app/{name}", fails=True)
        self.inside("python", "-c", "import pip", fails=True)
        return f"none of {', '.join(LEFT_OUT)}; no installer beside the libraries"

    def small(self) -> str:
        told = "du -sxm --total /opt/venv /app 2>/dev/null | tail -n 1; du -sxm / 2>/dev/null; true"
        ours, whole = (int(line.split()[0]) for line in self.inside("sh", "-c", told).splitlines())
        demand(
            ours <= OURS_AT_MOST and whole <= WHOLE_AT_MOST,
            f"{ours} MB of ours (at most {OURS_AT_MOST}), {whole} MB in all (at most {WHOLE_AT_MOST})",
        )
        return f"{ours} MB of ours, {whole} MB in all"

    def refuses(self) -> str:
        """Nothing starts without secrets and hosts, and each refusal names its variable."""
        said = self.inside("deploy/bin/web", env={}, fails=True)
        names = ("ROUNDBOOK_SECRET_KEY", "ROUNDBOOK_HOSTS", "ROUNDBOOK_PROXIES", "DATABASE_URL", "REDIS_URL")
        silent = [name for name in names if f"{name} is missing" not in said]
        demand(not silent, f"nothing is said of {silent}:\n{said}")
        return f"names {', '.join(names)}"

    def checked(self) -> str:
        self.inside("python", "manage.py", "check", "--deploy", "--fail-level", "WARNING")
        return "manage.py check --deploy"

    def letters(self) -> str:
        """Text layout, fonts in two directions of writing, and the document itself."""
        return self.inside("python", "-c", LETTER).rstrip("; ")

    def migrated(self) -> str:
        env = self.env | {"DATABASE_OWNER_URL": self.owner}
        lines = self.inside("deploy/bin/migrate", env=env).splitlines()
        return f"{sum(line.endswith(' OK') for line in lines)} migrations by the owner"

    def serves(self) -> str:
        """Alive, ready, a page with its style sheet; the container's own health check; an end in time."""
        bind = f"127.0.0.1:{free_port()}"
        with self.started("web", "deploy/bin/web", ROUNDBOOK_BIND=bind) as web:
            wait("web", web, lambda: ask(bind, "/readyz")[0] == 200)
            demand(json.loads(ask(bind, "/livez")[1])["status"] == "alive", "/livez does not say alive")
            status, page = ask(bind, "/sign-in/")
            style = page.partition(b'href="/static/css/roundbook.')[2].partition(b'"')[0].decode()
            demand(status == 200 and bool(style), f"the sign-in page answered {status}")
            demand(ask(bind, f"/static/css/roundbook.{style}")[0] == 200, "the style sheet is not served")
            self.inside("python", "deploy/readyz.py", env=self.env | {"ROUNDBOOK_BIND": bind})
        return "/livez alive, /readyz ready, sign-in page with its style sheet, ended with 0"

    def works(self) -> str:
        """A worker takes a job from Redis and stops when told."""
        with self.started("worker", "deploy/bin/worker", ROUNDBOOK_WORKER_PROCESSES="1") as worker:
            ping = ("celery", "-A", "config", "inspect", "ping", "--timeout", "10")
            wait("worker", worker, lambda: "pong" in self.inside(*ping))
        return "a worker answered, ended with 0"

    @contextmanager
    def started(self, name: str, *command: str, **told: str) -> Iterator["subprocess.Popen[bytes]"]:
        """A part running in a container of its own; told to end, it must, in time and with 0."""
        with tempfile.TemporaryFile() as log:
            call = self.engine.command(self.env | told, *command)
            process = subprocess.Popen(call, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
            try:
                yield process
                process.terminate()
                ended = process.wait(STOPS_WITHIN)
                demand(ended == 0, f"the {name} ended with {ended}")
            except (StopError, subprocess.TimeoutExpired) as trouble:
                log.seek(0)
                words = log.read()[-3000:].decode(errors="replace")
                raise StopError(f"{trouble}\n{words}") from trouble
            finally:
                process.kill()


def ask(bind: str, path: str) -> tuple[int, bytes]:
    """Status and body of a page, asked as the reverse proxy would."""
    line = HTTPConnection(bind, timeout=10)
    try:
        line.request("GET", path, headers={"Host": HOST_NAME, "X-Forwarded-Proto": "https"})
        answer = line.getresponse()
        return answer.status, answer.read()
    finally:
        line.close()


def wait(
    name: str, process: "subprocess.Popen[bytes]", ready: Callable[[], bool], seconds: float = 120
) -> None:
    """Until a part is ready; StopError when it ends or takes too long."""
    end = time.monotonic() + seconds
    while time.monotonic() < end and process.poll() is None:
        try:
            if ready():
                return
        except (OSError, HTTPException, StopError):
            pass
        time.sleep(0.2)
    raise StopError(f"The {name} does not become ready.")


def options(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="make image-trial", description=__doc__)
    parser.add_argument("--base", help="another image than the Dockerfile's to build on")
    parser.add_argument(
        "--build-option", action="append", default=[], help="passed on to the build, such as =--volume=…"
    )
    parser.add_argument("--keep", action="store_true", help="leave the image, named roundbook:trial")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str]) -> int:
    """Build, check on this machine's own PostgreSQL and Redis, forget."""
    given = options(arguments)
    engine = engine_here()
    if engine is None:
        warn(NONE_HERE)
        return 1
    machine.provide([need for need in NEEDS if need.name in {"PostgreSQL", "Redis"}], may_go_on=False)
    place = Path(tempfile.mkdtemp(prefix="rbi-", dir="/tmp"))  # a socket's path must be short
    place.chmod(0o755)
    (place / "pg").mkdir()
    try:
        say(f"== the image, built by {engine.program}")
        base = ("--build-arg", f"BASE={given.base}") if given.base else ()
        engine.build([*base, *given.build_option])
        with postgres(place / "pg") as (app, owner, _server), redis(place) as queue:
            Trial(engine, app, owner, queue).run()
        say("The image holds.")
        return 0
    finally:
        shutil.rmtree(place, ignore_errors=True)
        if not given.keep:
            engine.forget()


if __name__ == "__main__":
    as_program(main)
