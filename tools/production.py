"""The production shape on this machine without containers: proxy with TLS, web, worker and beat, each a process of its own."""

import os
import shutil
import signal
import socket
import ssl
import subprocess
import time
import urllib.request
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from http.client import HTTPException, HTTPSConnection
from pathlib import Path

from tools.machine import PROXIES
from tools.say import PROJECT, StopError

DEPLOY = PROJECT / "deploy"
HOST_NAME = "roundbook.example"
HTTP2_SINCE = (1, 25)
"""nginx knows `http2 on;` since 1.25.1 (its change log); an older one serves HTTP/1.1 from the same file."""
KEPT = ("PATH", "HOME", "LANG", "LC_ALL", "TMPDIR", "XDG_CACHE_HOME", "LD_LIBRARY_PATH")
FRAME = """
{user}daemon off;
worker_processes 1;
pid {place}/nginx.pid;
error_log {place}/proxy.log warn;
events {{ worker_connections 512; }}
http {{
    access_log off;
    client_body_temp_path {place}/body;
    proxy_temp_path {place}/passing;
    fastcgi_temp_path {place}/fastcgi;
    uwsgi_temp_path {place}/uwsgi;
    scgi_temp_path {place}/scgi;
    include {place}/roundbook.conf;
}}
"""


def nginx() -> Path | None:
    """This machine's own nginx; None when there is none."""
    found = shutil.which("nginx") or next((path for path in PROXIES if Path(path).exists()), None)
    return Path(found) if found else None


def free_port(address: str = "127.0.0.1") -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind((address, 0))
        return int(probe.getsockname()[1])


@dataclass
class Production:
    """Processes with production settings on one machine; every start waits until the part answers.

    `app` and `owner` are addresses of the database for the two roles, `redis` that of the queue. `place` holds logs, the
    certificate and what the proxy needs.
    """

    place: Path
    app: str
    owner: str
    redis: str
    more: Mapping[str, str] = field(default_factory=dict)
    webs: dict[str, str] = field(default_factory=dict)
    http: int = field(default_factory=free_port)
    https: int = field(default_factory=free_port)
    processes: "dict[str, subprocess.Popen[bytes]]" = field(default_factory=dict)
    prefix: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """A part's name → what its command is started through, such as entering the network of another host."""

    @property
    def env(self) -> dict[str, str]:
        """What web, worker and beat are told; the owner's password is not in it."""
        kept = {name: os.environ[name] for name in KEPT if name in os.environ}
        return kept | {
            "ROUNDBOOK_ENV": "production", "DJANGO_SETTINGS_MODULE": "config.settings", "PYTHONUNBUFFERED": "1",
            "PATH": f"{PROJECT / '.venv' / 'bin'}:{os.environ['PATH']}",
            "ROUNDBOOK_SECRET_KEY": "only-for-a-trial-on-this-machine-" + "9f3k-Q7w2_" * 4,
            "ROUNDBOOK_HOSTS": HOST_NAME, "ROUNDBOOK_PROXIES": "1",
            "DATABASE_URL": self.app, "REDIS_URL": self.redis, **self.more,
        }  # fmt: skip

    def manage(self, *arguments: str, owner: bool = False, given: str = "") -> str:
        """What one management command printed; StopError with its words when it failed."""
        env = self.env | ({"DATABASE_OWNER_URL": self.owner, "ROUNDBOOK_DB_ROLE": "owner"} if owner else {})
        return self.run("python", "manage.py", *arguments, env=env, given=given)

    def run(self, *command: str, env: Mapping[str, str] | None = None, given: str = "") -> str:
        """What a program printed; StopError with its words when it failed."""
        done = subprocess.run(
            command, cwd=PROJECT, env=dict(env or self.env), input=given, capture_output=True, text=True, check=False,
            timeout=600,
        )  # fmt: skip
        if done.returncode != 0:
            raise StopError(f"{' '.join(command)} ended with {done.returncode}:\n{done.stdout}{done.stderr}")
        return done.stdout

    def migrate(self) -> str:
        """Bring the database to this version, as its owner, by the same program as in the containers."""
        return self.run(str(DEPLOY / "bin" / "migrate"), env=self.env | {"DATABASE_OWNER_URL": self.owner})

    def start(self, name: str, *command: str, **told: str) -> "subprocess.Popen[bytes]":
        """Start one process, its output in a log of its name."""
        with (self.place / f"{name}.log").open("ab") as log:
            process = subprocess.Popen(
                [*self.prefix.get(name, ()), *command], cwd=PROJECT, env=self.env | told, stdin=subprocess.DEVNULL,
                stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip
        self.processes[name] = process
        return process

    def start_web(self, name: str = "web", address: str = "127.0.0.1", **told: str) -> None:
        """A web service on a port of its own; the proxy started afterwards uses it."""
        bind = self.webs.setdefault(name, f"{address}:{free_port() if address == '127.0.0.1' else 8080}")
        given = {"ROUNDBOOK_WEB_PROCESSES": "1", "ROUNDBOOK_BIND": bind} | told
        self.start(name, str(DEPLOY / "bin" / "web"), **given)

    def start_worker(self, name: str = "worker", **told: str) -> None:
        """A worker."""
        self.start(name, str(DEPLOY / "bin" / "worker"), **({"ROUNDBOOK_WORKER_PROCESSES": "1"} | told))

    def start_beat(self) -> None:
        """The bell."""
        self.start(
            "beat", str(DEPLOY / "bin" / "beat"), ROUNDBOOK_BEAT_FILE=str(self.place / "beat-schedule")
        )

    def start_proxy(self, address: str = "127.0.0.1") -> None:
        """The reverse proxy, from the same file as in the containers, before every web service started so far."""
        program = nginx()
        if program is None:
            raise StopError("There is no nginx on this machine. On Debian: sudo apt-get install nginx-light")
        (self.place / "nginx.conf").write_text(
            FRAME.format(place=self.place, user="user root;\n" if os.geteuid() == 0 else "")
        )
        (self.place / "roundbook.conf").write_text(self._proxy_file(program, address))
        self._certificate()
        files = ("-e", str(self.place / "proxy.log"), "-c", str(self.place / "nginx.conf"))
        self.start("proxy", str(program), *files)

    def _proxy_file(self, program: Path, address: str) -> str:
        text = (DEPLOY / "proxy" / "roundbook.conf.template").read_text()
        values = {
            "HOST_NAME": HOST_NAME, "HTTP_PORT": f"{address}:{self.http}", "HTTPS_PORT": f"{address}:{self.https}",
            "WEB_SERVERS": " ".join(f"server {bind} fail_timeout=3s;" for bind in self.webs.values()),
            "TLS_IN_PROXY": str(self.place), "PASS_ON": str(DEPLOY / "proxy" / "pass-on.inc"),
        }  # fmt: skip
        for name, value in values.items():
            text = text.replace(f"${{ROUNDBOOK_{name}}}", value)
        said = subprocess.run([program, "-v"], capture_output=True, text=True, check=False).stderr
        version = tuple(int(part) for part in said.strip().rpartition("/")[2].split(" ")[0].split(".")[:2])
        return text if version >= HTTP2_SINCE else text.replace("    http2 on;\n", "")

    def _certificate(self) -> None:
        if (self.place / "privkey.pem").exists():
            return
        self.run(
            "openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={HOST_NAME}",
            "-addext", f"subjectAltName=DNS:{HOST_NAME}", "-keyout", str(self.place / "privkey.pem"),
            "-out", str(self.place / "fullchain.pem"),
        )  # fmt: skip

    def connect(self, timeout: float = 20, address: str = "127.0.0.1") -> HTTPSConnection:
        """A connection over TLS that knows the certificate and the name, as a browser would."""
        context = ssl.create_default_context(cafile=str(self.place / "fullchain.pem"))
        line = HTTPSConnection(HOST_NAME, self.https, timeout=timeout, context=context)
        raw = socket.create_connection((address, self.https), timeout=timeout)
        line.sock = context.wrap_socket(raw, server_hostname=HOST_NAME)
        return line

    def wait_until_ready(self, seconds: float = 60) -> None:
        """Until every web service is ready, and the proxy passes on."""
        for name, bind in self.webs.items():
            self._wait(name, seconds, lambda bind=bind: self.asked_directly(bind))  # type: ignore[misc]
        if "proxy" in self.processes:
            self._wait("proxy", seconds, self._asked)

    def _asked(self) -> bool:
        line = self.connect(5)
        line.request("GET", "/readyz", headers={"Host": HOST_NAME})
        return line.getresponse().status == 200

    def asked_directly(self, bind: str) -> bool:
        """Whether one web service is ready, asked as the proxy asks it."""
        headers = {"Host": HOST_NAME, "X-Forwarded-Proto": "https"}
        request = urllib.request.Request(f"http://{bind}/readyz", headers=headers)
        with urllib.request.urlopen(request, timeout=5) as answer:  # noqa: S310 - our own server
            return bool(answer.status == 200)

    def _wait(self, name: str, seconds: float, ready: Callable[[], bool]) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end and self.processes[name].poll() is None:
            try:
                if ready():
                    return
            except (OSError, HTTPException):
                pass
            time.sleep(0.1)
        raise StopError(f"The {name} does not become ready:\n{self.words_of(name)}")

    def words_of(self, name: str) -> str:
        """The last that a part wrote into its log."""
        return (self.place / f"{name}.log").read_text(errors="replace")[-3000:]

    def kill(self, name: str) -> None:
        """kill -9 of a part and all its processes at once, as when a host loses its power."""
        process = self.processes.pop(name)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(20)

    def stop(self, seconds: float = 60) -> dict[str, int]:
        """Ask every part to finish, the proxy first; its exit status by name, -9 for one that had to be killed."""
        parts = sorted(self.processes, key=lambda one: (one != "proxy", one))
        for name in parts:
            if self.processes[name].poll() is None:
                self.processes[name].send_signal(signal.SIGTERM)
        until = time.monotonic() + seconds
        ended = {}
        for name in parts:
            process = self.processes.pop(name)
            try:
                ended[name] = process.wait(max(0.1, until - time.monotonic()))
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                ended[name] = process.wait(20)
        return ended
