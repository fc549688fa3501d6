"""The production files agree with each other and with the settings, as far as reading them can tell."""

import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml
from django.urls import get_resolver, resolve

from staff.routes import LARGEST_FORM, route_table

PROJECT = Path(__file__).resolve().parents[2]
COMPOSE = PROJECT / "docker-compose.yml"
DOCKERFILE = PROJECT / "Dockerfile"
OURS = ("migrate", "web", "worker", "beat")
SERVERS = ("postgres", "redis", "proxy", "backup")
ENV_NAME = re.compile(r"""(?:env(?:\.\w+)?\(|_list\(env,)\s*["']([A-Z][A-Z0-9_]+)["']""")
FOR_TRYING_OUT_ONLY = {"ROUNDBOOK_NO_DATABASE", "ROUNDBOOK_TODAY", "ROUNDBOOK_RUN_DIR"}
READ_BY_CHOICE = {"DATABASE_URL", "DATABASE_OWNER_URL"}


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    loaded: dict[str, Any] = yaml.safe_load(COMPOSE.read_text())
    return loaded


@pytest.fixture(scope="module")
def services(compose: dict[str, Any]) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = compose["services"]
    return found


def settings_text() -> str:
    return "\n".join((PROJECT / "config" / f"{name}.py").read_text() for name in ("settings", "refusals"))


def settings_names() -> set[str]:
    return set(ENV_NAME.findall(settings_text())) | READ_BY_CHOICE


def test_every_part_is_there(services: dict[str, dict[str, Any]]) -> None:
    assert set(services) == {*OURS, *SERVERS}


def test_images_name_a_version(services: dict[str, dict[str, Any]]) -> None:
    assert set(re.findall(r"^FROM (\S+)", DOCKERFILE.read_text(), re.MULTILINE)) == {"${BASE}"}
    images = [service["image"] for service in services.values()]
    images += re.findall(r"^ARG BASE=(\S+)", DOCKERFILE.read_text(), re.MULTILINE)
    for image in images:
        _name, _colon, tag = image.partition(":")
        assert re.match(r"\d+\.\d+|1[5-9]\b", tag), f"{image} names no version"


def test_lasting_services_are_checked_and_restarted(services: dict[str, dict[str, Any]]) -> None:
    for name, service in services.items():
        if name == "migrate":
            assert service["restart"] == "no"
            continue
        assert service["healthcheck"]["test"], f"{name} has no health check"
        assert service["restart"] == "unless-stopped"


def test_our_containers_have_no_special_rights(services: dict[str, dict[str, Any]]) -> None:
    for name in OURS:
        assert services[name]["read_only"] is True
        assert services[name]["cap_drop"] == ["ALL"]
        assert "privileged" not in services[name]
        assert "ports" not in services[name], "only the reverse proxy faces the network"


def test_image_runs_as_an_unprivileged_user_with_locked_libraries() -> None:
    text = DOCKERFILE.read_text()
    users = re.findall(r"^USER (\S+)", text, re.MULTILINE)
    assert users
    assert users[-1] not in {"root", "0"}
    assert text.index("USER ") < text.index("CMD ")
    assert "--require-hashes" in text
    for package in ("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0", "fonts-dejavu-core"):
        assert package in text, f"letters need {package}"


def test_only_the_migration_is_the_owner(services: dict[str, dict[str, Any]]) -> None:
    for name in OURS:
        environment = services[name]["environment"]
        assert environment["ROUNDBOOK_ENV"] == "production"
        assert ("DATABASE_OWNER_URL" in environment) == (name == "migrate")
        assert environment["ROUNDBOOK_DB_ROLE"] == ("owner" if name == "migrate" else "app")


def test_workers_wait_for_the_migration(services: dict[str, dict[str, Any]]) -> None:
    for name in ("web", "worker", "beat"):
        assert services[name]["depends_on"]["migrate"]["condition"] == "service_completed_successfully"
        assert services[name]["depends_on"]["redis"]["condition"] == "service_healthy"


def test_no_secret_stands_in_the_file(services: dict[str, dict[str, Any]]) -> None:
    for service in services.values():
        for key, value in (service.get("environment") or {}).items():
            if "PASSWORD" in key or "SECRET" in key:
                assert str(value).startswith("${"), f"{key} must come from outside"


def test_every_name_the_settings_read_can_be_given(services: dict[str, dict[str, Any]]) -> None:
    given = set(services["migrate"]["environment"])
    assert settings_names() - FOR_TRYING_OUT_ONLY - given == set(), "add these to docker-compose.yml"


def test_every_name_given_is_read(services: dict[str, dict[str, Any]]) -> None:
    given = set(services["migrate"]["environment"])
    assert given - settings_names() == set(), "nothing reads these; take them out of docker-compose.yml"


def test_example_names_every_value_the_file_demands() -> None:
    demanded = set(re.findall(r"\$\{([A-Z_]+):\?", COMPOSE.read_text()))
    example = (PROJECT / "deploy" / "env.example").read_text()
    offered = set(re.findall(r"^([A-Z_]+)=", example, re.MULTILINE))
    assert demanded == offered


def test_database_is_made_as_the_embedded_one_is(services: dict[str, dict[str, Any]]) -> None:
    arguments = services["postgres"]["environment"]["POSTGRES_INITDB_ARGS"]
    assert {"--locale=C", "--encoding=UTF8", "--data-checksums"} == set(arguments.split())
    roles = (PROJECT / "deploy" / "postgres" / "10-roles.sh").read_text()
    for line in (
        "CREATE ROLE roundbook_owner LOGIN",
        "CREATE ROLE roundbook_app LOGIN",
        "LC_COLLATE 'C'",
        "log_min_error_statement = 'panic'",
        "log_error_verbosity = 'terse'",
    ):
        assert line in roles


def test_named_files_exist(services: dict[str, dict[str, Any]]) -> None:
    for service in services.values():
        for volume in service.get("volumes") or []:
            source = str(volume).split(":")[0]
            if source.startswith("./"):
                assert (PROJECT / source).exists()
    for name in OURS:
        command = services[name].get("command") or re.findall(
            r'^CMD \["(.*)"\]', DOCKERFILE.read_text(), re.MULTILINE
        )
        assert command == [f"deploy/bin/{name}"]
        assert os.access(PROJECT / command[0], os.X_OK)


def test_nothing_but_the_proxy_is_reached_from_outside_and_servers_have_few_rights(
    services: dict[str, dict[str, Any]], compose: dict[str, Any]
) -> None:
    assert [name for name, service in services.items() if "ports" in service] == ["proxy"]
    assert compose["networks"]["inside"] == {"internal": True}
    assert (
        services["postgres"]["networks"]
        == services["redis"]["networks"]
        == services["backup"]["networks"]
        == ["inside"]
    )
    for name in ("proxy", "backup"):
        assert (services[name]["read_only"], services[name]["cap_drop"]) == (True, ["ALL"])


UNITS = sorted((PROJECT / "deploy" / "systemd").glob("roundbook*"))
HARDENED = (
    "NoNewPrivileges=yes", "CapabilityBoundingSet=", "ProtectSystem=strict", "ProtectHome=yes", "PrivateTmp=yes",
    "PrivateDevices=yes", "ProtectKernelTunables=yes", "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6",
    "RestrictNamespaces=yes", "SystemCallFilter=@system-service", "User=roundbook",
)  # fmt: skip


def test_units_run_the_same_programs_with_few_rights() -> None:
    services = {
        path.stem.removeprefix("roundbook-"): path.read_text() for path in UNITS if path.suffix == ".service"
    }
    assert set(services) == {*OURS, "backup"}
    for name, text in services.items():
        assert set(HARDENED) <= set(text.splitlines()), name
        program = "backup/dump.sh" if name == "backup" else f"bin/{name}"
        assert f"ExecStart=/opt/roundbook/deploy/{program}" in text.splitlines()
        assert ("owner.env" in text) == (name in {"migrate", "backup"}), (
            "only these know the owner's password"
        )
        assert (PROJECT / "deploy" / program).exists()


def test_systemd_itself_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    """`systemd-analyze verify`, and its own score of what a unit may do (0 nothing, 10 everything)."""
    analyse = shutil.which("systemd-analyze")
    if analyse is None:
        # The tool comes with systemd only, and a machine of containers has none; the tests above read the units there too.
        pytest.skip(
            "systemd-analyze comes with systemd, which this machine has not; the tests above read the units"
        )
    for path in UNITS:
        text = path.read_text().replace("/opt/roundbook", str(PROJECT))
        (tmp_path / path.name).write_text(text)
    copies = [str(tmp_path / path.name) for path in UNITS]
    done = subprocess.run([analyse, "verify", *copies], capture_output=True, text=True, check=False)
    ours = [line for line in done.stderr.splitlines() if "roundbook" in line]
    assert (done.returncode, ours) == (0, [])
    for copy in copies:
        if copy.endswith(".service"):
            said = subprocess.run(
                [analyse, "security", "--offline=true", "--threshold=20", copy],
                capture_output=True,
                text=True,
                check=False,
            )
            assert said.returncode == 0, said.stdout[-400:]


def test_the_proxy_lets_files_through_where_the_application_takes_them() -> None:
    """Addresses and sizes of the proxy's file against the routes and doors themselves."""
    text = (PROJECT / "deploy" / "proxy" / "roundbook.conf.template").read_text()
    pattern, most = re.search(r"location ~ (\S+) {\s+client_max_body_size (\d+)m;", text).groups()  # type: ignore[union-attr]
    doors = {name: door.largest for name, door in route_table().items() if door.largest > LARGEST_FORM}
    large = {PATTERNS[name] for name in doors}
    programs = {path: op for path, op in _programs().items() if op > LARGEST_FORM}
    for route in PATTERNS.values():
        address = re.sub(r"<[^>]+>", "7", "/" + route)
        let = re.match(pattern, address) is not None
        assert let == (route in large or address in programs), address
    assert max([*doors.values(), *programs.values()]) <= int(most) * 1024 * 1024
    assert f"client_max_body_size {LARGEST_FORM // 1024 // 1024}m;" in text


def _patterns() -> dict[str, str]:
    """Route name → its address, of every route."""
    found = {}

    def walk(entries: list[Any], before: str, space: str) -> None:
        for one in entries:
            if hasattr(one, "url_patterns"):
                walk(
                    one.url_patterns,
                    before + str(one.pattern),
                    f"{one.namespace}:" if one.namespace else space,
                )
            else:
                found[f"{space}{one.name}"] = before + str(one.pattern)

    walk(get_resolver().url_patterns, "", "")
    return found


PATTERNS = _patterns()


def _programs() -> dict[str, int]:
    """Address of each program's door that takes a body → the most it takes, in bytes."""
    found = {}
    for name, route in PATTERNS.items():
        if route_table()[name].token:
            address = re.sub(r"<[^>]+>", "7", "/" + route)
            does = getattr(getattr(resolve(address).func, "cls", None), "does", {}).get("POST")
            if does is not None:
                found[address] = does.largest
    return found
