"""Two simulated hosts: network namespaces with cables to this machine, so that everything between them crosses a network."""

import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

NAMES = ("a", "b")


@dataclass
class Host:
    """A simulated host: its address, and the words before a command that runs on it."""

    name: str
    address: str
    enter: tuple[str, ...] = ()
    cable: str = ""

    def cut(self, off: bool) -> None:
        """Pull its cable, or plug it in again; without namespaces there is no cable."""
        if self.cable:
            _ip("link", "set", self.cable, "down" if off else "up")


@dataclass
class Hosts:
    """The simulated hosts, and this machine's address towards them."""

    here: str
    hosts: dict[str, Host] = field(default_factory=dict)
    how: str = ""

    def __getitem__(self, name: str) -> Host:
        return self.hosts[name]


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True)


def namespaces_work() -> bool:
    """Whether this machine lets us make network namespaces."""
    if os.geteuid() != 0 or shutil.which("ip") is None:
        return False
    name = f"rbtry{os.getpid()}"
    made = subprocess.run(["ip", "netns", "add", name], check=False, capture_output=True).returncode == 0
    subprocess.run(["ip", "netns", "del", name], check=False, capture_output=True)
    return made


@contextmanager
def two_hosts() -> Iterator[Hosts]:
    """Both hosts, gone afterwards; on a machine without namespaces, addresses of the loopback, and it says so."""
    if not namespaces_work():
        both = {name: Host(name, f"127.0.0.{n}") for n, name in enumerate(NAMES, start=2)}
        yield Hosts("127.0.0.1", both, "loopback addresses of one network: namespaces are not allowed here")
        return
    mark = os.getpid() % 10000
    bridge, net = f"rbb{mark}", f"10.{77 + mark % 100}.{mark // 100}"
    made: dict[str, Host] = {}
    try:
        _ip("link", "add", bridge, "type", "bridge")
        _ip("addr", "add", f"{net}.1/24", "dev", bridge)
        _ip("link", "set", bridge, "up")
        for n, name in enumerate(NAMES, start=2):
            made[name] = _host(name, f"rb{name}{mark}", bridge, f"{net}.{n}")
        yield Hosts(f"{net}.1", made, "two network namespaces with veth cables to a bridge")
    finally:
        for name in made:
            subprocess.run(["ip", "netns", "del", f"rb{name}{mark}"], check=False, capture_output=True)
        subprocess.run(["ip", "link", "del", bridge], check=False, capture_output=True)


def _host(name: str, space: str, bridge: str, address: str) -> Host:
    cable = f"{space}c"
    _ip("netns", "add", space)
    _ip("link", "add", cable, "type", "veth", "peer", "name", "eth0", "netns", space)
    _ip("link", "set", cable, "master", bridge, "up")
    _ip("-n", space, "addr", "add", f"{address}/24", "dev", "eth0")
    _ip("-n", space, "link", "set", "eth0", "up")
    _ip("-n", space, "link", "set", "lo", "up")
    return Host(name, address, ("ip", "netns", "exec", space), cable)


class Forward:
    """Listens on a port of the network and passes every connection on to a socket file, both ways, byte for byte.

    It gives a database that listens on a socket alone an address that other hosts can reach.
    """

    def __init__(self, address: str, path: str) -> None:
        self.path = path
        self.door = socket.create_server((address, 0))
        self.port = int(self.door.getsockname()[1])
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            try:
                near, _who = self.door.accept()
            except OSError:
                return
            far = socket.socket(socket.AF_UNIX)
            far.connect(self.path)
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=_pass_on, args=(one, other), daemon=True).start()

    def close(self) -> None:
        """Take no more connections."""
        self.door.close()


def _pass_on(one: socket.socket, other: socket.socket) -> None:
    with suppress(OSError):
        while part := one.recv(65536):
            other.sendall(part)
    for end in (one, other):
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
