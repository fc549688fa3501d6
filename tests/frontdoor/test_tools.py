"""The set-up tools: which port, which words for what is missing, which process belongs to us."""

import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tools import checks, commands, crew, demo, libraries, machine, ports
from tools.machine import Need
from tools.say import PROJECT, StopError

LACKING = Need("Pango", "libpango-1.0-0", machine.LETTERS, lambda: False)
PRESENT = Need("a shell", "bash", machine.LETTERS, lambda: True)


def listener(port: int = 0) -> socket.socket:
    line = socket.socket()
    line.bind(("127.0.0.1", port))
    line.listen()
    return line


def test_a_port_in_use_is_passed_over_with_a_remark(monkeypatch: pytest.MonkeyPatch) -> None:
    with listener() as taken:
        first = taken.getsockname()[1]
        monkeypatch.setattr(ports, "FIRST", first)
        port, remark = ports.choose({})
        assert port > first
        assert str(first) in remark
        assert str(port) in remark


def test_a_free_first_port_needs_no_remark(monkeypatch: pytest.MonkeyPatch) -> None:
    with listener() as line:
        free = line.getsockname()[1]
    monkeypatch.setattr(ports, "FIRST", free)
    assert ports.choose({}) == (free, "")


def test_an_asked_for_port_is_used_or_refused_but_never_swapped() -> None:
    with listener() as taken:
        port = taken.getsockname()[1]
        with pytest.raises(StopError, match=f"Port {port}"):
            ports.choose({"ROUNDBOOK_PORT": str(port)})
    assert ports.choose({"ROUNDBOOK_PORT": str(port)}) == (port, "")


@pytest.mark.parametrize("asked", ["web", "0", "70000", "-1", "80 81"])
def test_a_port_that_is_none_is_refused_in_words(asked: str) -> None:
    with pytest.raises(StopError, match="1 to 65535"):
        ports.choose({"ROUNDBOOK_PORT": asked})


def test_missing_library_is_named_with_purpose_and_exact_command() -> None:
    words = machine.explain([LACKING], debian=True, as_root=False)
    assert "Pango: needed for letters" in words
    assert "sudo apt-get update && sudo apt-get install -y --no-install-recommends libpango-1.0-0" in words
    assert "sudo" not in machine.explain([LACKING], debian=True, as_root=True)


def test_other_systems_are_told_the_names_without_a_command_they_lack() -> None:
    words = machine.explain([LACKING], debian=False, as_root=False)
    assert "libpango-1.0-0" in words
    assert "apt-get" not in words


def test_demo_goes_on_without_letters_but_tests_stop(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(machine, "is_root", lambda: False)
    machine.provide([PRESENT, LACKING], may_go_on=True)
    assert "everything works except making letters" in capsys.readouterr().err
    with pytest.raises(StopError, match="Pango"):
        machine.provide([PRESENT, LACKING], may_go_on=False)


def test_root_on_debian_has_it_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    installed: list[str] = []

    def pretend(packages: list[str]) -> bool:
        installed.extend(packages)
        return True

    monkeypatch.setattr(machine, "is_root", lambda: True)
    monkeypatch.setattr(machine, "is_debian", lambda: True)
    monkeypatch.setattr(machine, "apt_install", pretend)
    machine.provide(
        [Need("Pango", "libpango-1.0-0", machine.LETTERS, lambda: bool(installed))], may_go_on=False
    )
    assert installed == ["libpango-1.0-0"]


def test_missing_environment_maker_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine, "is_root", lambda: False)
    monkeypatch.setattr(libraries, "_has_venv", lambda: False)
    with pytest.raises(StopError, match=rf"apt-get install -y python3\.{sys.version_info.minor}-venv"):
        libraries._require_venv()


def test_locked_lists_name_hashes_and_no_index() -> None:
    for name in ("base.txt", "demo.txt", "dev.txt"):
        text = (PROJECT / "requirements" / name).read_text()
        assert "--hash=sha256:" in text
        assert "index-url" not in text
        assert "http" not in text


def test_demo_list_is_part_of_the_development_list() -> None:
    def pins(name: str) -> set[str]:
        lines = (PROJECT / "requirements" / name).read_text().splitlines()
        return {line.split(" ")[0] for line in lines if "==" in line and not line.startswith((" ", "#"))}

    assert pins("base.txt") <= pins("demo.txt") <= pins("dev.txt")


def test_old_python_is_told_what_to_install(tmp_path: Path) -> None:
    code = (
        "import sys, runpy; sys.version_info = (3, 9, 2); sys.argv = ['dev.py', 'demo'];"
        f"runpy.run_path({str(PROJECT / 'tools' / 'dev.py')!r}, run_name='__main__')"
    )
    env = {**os.environ, "PATH": str(tmp_path)}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "needs Python 3.11 or newer; this is 3.9" in done.stderr


def test_no_test_found_is_a_failure(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(checks, "_run", lambda arguments, extra=None: checks.NOTHING_COLLECTED)
    assert checks._pytest(["tests"]) == 5
    assert "No test was found" in capsys.readouterr().err


def test_every_make_target_is_a_command() -> None:
    line = next(x for x in (PROJECT / "Makefile").read_text().splitlines() if x.startswith(".PHONY:"))
    assert set(line.split()[1:]) - {"help"} == set(commands.COMMANDS)


def test_leftover_processes_of_ours_are_ended_and_strangers_are_not(tmp_path: Path) -> None:
    sleeper = [sys.executable, "-c", "import time; time.sleep(60)"]
    ours = subprocess.Popen([*sleeper, str(PROJECT / ".venv")], start_new_session=True)
    stranger = subprocess.Popen(["sleep", "60"], start_new_session=True)
    record = tmp_path / "demo.json"
    record.write_text(json.dumps({"supervisor": 1, "children": [ours.pid, stranger.pid]}))
    try:
        crew.signal_group(ours.pid, signal.SIGCONT)
        assert crew.end_leftovers(record) == 1
        assert ours.wait(timeout=5) == -signal.SIGTERM
        assert stranger.poll() is None
        assert not record.exists()
    finally:
        stranger.kill()
        stranger.wait()


def test_one_demo_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROUNDBOOK_RUN_DIR", str(tmp_path / "run dir"))
    with demo._only_one(), pytest.raises(StopError, match="already runs"), demo._only_one():
        raise AssertionError("two demos at once")


def test_reset_leaves_other_databases_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgres://someone@elsewhere/else")
    with pytest.raises(StopError, match="never deleted"):
        demo.reset()
