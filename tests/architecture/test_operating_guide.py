"""The operator's guide names only what there is: programs, files, commands, variables, services; and leaves none of them out."""

import re
from pathlib import Path

from django.core.management import get_commands, load_command_class

from tests.architecture.test_deploy_shape import UNITS, settings_names

PROJECT = Path(__file__).resolve().parents[2]
GUIDE = (PROJECT / "docs" / "operating.md").read_text()
OF_SCRIPTS = {
    "ROUNDBOOK_BIND", "ROUNDBOOK_WEB_PROCESSES", "ROUNDBOOK_WORKER_PROCESSES", "ROUNDBOOK_WEB_SERVERS", "ROUNDBOOK_HOST_NAME",
    "ROUNDBOOK_HTTP_PORT", "ROUNDBOOK_HTTPS_PORT", "ROUNDBOOK_TLS_IN_PROXY", "ROUNDBOOK_PASS_ON", "ROUNDBOOK_OWNER_PASSWORD",
    "ROUNDBOOK_APP_PASSWORD", "ROUNDBOOK_BACKUP_KEY",
}  # fmt: skip


def test_every_file_it_names_is_there_and_can_be_run() -> None:
    named = set(re.findall(r"(?:/opt/roundbook/|`|\s)((?:deploy|requirements)/[\w./-]+\w)\b(?!\*)", GUIDE))
    assert {"deploy/bin/manage", "deploy/backup/restore.sh", "deploy/systemd/app.env.example"} <= named
    for path in named:
        assert (PROJECT / path).exists() or path == "deploy/proxy", path


def test_every_command_it_gives_exists_and_takes_its_options() -> None:
    calls = re.findall(
        r"\bmanage(?:\.py)? ((?:--owner |--database \w+ )*)(\w+)((?: --?[\w-]+| '[^']*'| [\w./@]+)*)", GUIDE
    )
    used = {name for _before, name, _rest in calls}
    assert {
        "account",
        "found",
        "restore_drill",
        "seal",
        "prove",
        "load_register",
        "api_token",
        "migrate",
    } <= used
    for _before, name, rest in calls:
        if name not in get_commands():
            assert name == "stands", name  # the sentence that says what "manage" stands for
            continue
        parser = load_command_class(get_commands()[name], name).create_parser("manage.py", name)
        known = {option for action in parser._actions for option in action.option_strings}
        assert set(re.findall(r" (--[\w-]+)", rest)) <= known, (name, rest)


def test_every_variable_it_names_is_read() -> None:
    named = set(re.findall(r"\bROUNDBOOK_[A-Z_]+\b", GUIDE))
    assert named - settings_names() - OF_SCRIPTS == set()


def test_every_unit_is_told_of() -> None:
    for path in UNITS:
        assert path.stem in GUIDE, path.name
