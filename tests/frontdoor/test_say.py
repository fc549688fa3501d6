"""A tool run as a program ends with its status, and says in words why it stopped."""

from collections.abc import Sequence

import pytest

from tools.say import PROJECT, StopError, as_program


def test_a_program_ends_with_its_status_and_says_why_it_stopped(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(PROJECT)
    monkeypatch.setattr("sys.argv", ["tool", "seven"])
    with pytest.raises(SystemExit) as ended:
        as_program(lambda words: 7 if words == ["seven"] else 0)
    assert ended.value.code == 7

    def stops(_words: Sequence[str]) -> int:
        raise StopError("Start the database first.")

    with pytest.raises(SystemExit) as stopped:
        as_program(stops)
    assert stopped.value.code == 1
    assert capsys.readouterr().err == "Start the database first.\n"
