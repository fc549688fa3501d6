"""The production files agree with each other and with the settings, as far as reading them can tell."""

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

PROJECT = Path(__file__).resolve().parents[2]
COMPOSE = PROJECT / "docker-compose.yml"
DOCKERFILE = PROJECT / "Dockerfile"
OURS = ("migrate", "web", "worker", "beat")
SERVERS = ("postgres", "redis", "proxy")
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
    images = [service["image"] for service in services.values()]
    images += re.findall(r"^FROM (\S+)", DOCKERFILE.read_text(), re.MULTILINE)
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
    for line in ("CREATE ROLE roundbook_owner LOGIN", "CREATE ROLE roundbook_app LOGIN", "LC_COLLATE 'C'"):
        assert line in roles


def test_named_files_exist(services: dict[str, dict[str, Any]]) -> None:
    for service in services.values():
        for volume in service.get("volumes") or []:
            source = str(volume).split(":")[0]
            if source.startswith("./"):
                assert (PROJECT / source).exists()
    assert (PROJECT / "deploy" / "livez.py").exists()
