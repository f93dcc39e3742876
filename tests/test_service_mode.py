"""The service mode holds together: Compose file, Dockerfile, settings and example agree."""

import importlib.util
import os
import re
import subprocess
import sys
from typing import Any
from urllib.parse import urlsplit

import pytest
import yaml
from django.conf import settings

from tests.processes import ROOT

COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
DOCKERFILE = (ROOT / "Dockerfile").read_text()
SETTINGS = (ROOT / "wholesale" / "config" / "settings.py").read_text()
EXAMPLE = dict(re.findall(r"^(\w+)=(.*)$", (ROOT / ".env.example").read_text(), re.MULTILINE))

# What our own code runs in; the other services are images of others.
OURS = ("web", "worker", "timer", "migrate")
# Read by the Compose file alone, to set up the database and the proxy.
COMPOSE_ONLY = {"POSTGRES_PASSWORD", "CASEWRIGHT_DOMAIN"}
READ_BY_SETTINGS = set(re.findall(r'(?:env\.\w+|_needed)\(\s*"([A-Z_0-9]+)"', SETTINGS))
FILLED_IN = {"SECRET_KEY": "k" * 60 + "-9_Zq", "POSTGRES_PASSWORD": "open-sesame"}


def environment() -> dict[str, str]:
    """Return what Compose would give a container of ours: .env first, then its own."""
    given = EXAMPLE | FILLED_IN
    own = {name: substituted(value, given) for name, value in SERVICES["web"]["environment"].items()}
    return given | own


def substituted(text: str, given: dict[str, str]) -> str:
    """Fill in Compose's ``${NAME:?message}``; a name that is not given raises KeyError."""
    return re.sub(r"\$\{(\w+)(?::\?[^}]*)?\}", lambda found: given[found[1]], text)


def run(*command: str, **changed: str) -> subprocess.CompletedProcess[str]:
    """Run Python as in a container of ours, in an environment that holds nothing else."""
    here = {"PATH": os.environ["PATH"], "CASEWRIGHT_VAR": str(settings.VAR_DIR)}
    env = environment() | here | {"CASEWRIGHT_STATIC_ROOT": ""} | changed
    return subprocess.run([sys.executable, *command], cwd=ROOT, env=env, capture_output=True, text=True, check=False)


def test_the_example_names_exactly_what_the_settings_and_compose_read() -> None:
    assert set(EXAMPLE) == READ_BY_SETTINGS | COMPOSE_ONLY


def test_compose_sets_only_variables_that_the_settings_read() -> None:
    for name in OURS:
        assert set(SERVICES[name]["environment"]) <= READ_BY_SETTINGS


def test_what_compose_substitutes_is_in_the_example() -> None:
    names = set(re.findall(r"(?<!\$)\$\{(\w+)", (ROOT / "docker-compose.yml").read_text()))
    assert names == COMPOSE_ONLY


def test_servers_named_in_addresses_are_services() -> None:
    for name in ("DATABASE_URL", "CELERY_BROKER_URL", "CACHE_URL"):
        assert urlsplit(environment()[name]).hostname in SERVICES, name
        assert urlsplit(EXAMPLE[name]).hostname in SERVICES, name


def test_the_database_has_the_name_the_user_and_the_password_of_the_address() -> None:
    address = urlsplit(environment()["DATABASE_URL"])
    made = SERVICES["postgres"]["environment"]
    assert address.username == made["POSTGRES_USER"]
    assert address.path == f"/{made['POSTGRES_DB']}"
    assert address.password == substituted(made["POSTGRES_PASSWORD"], FILLED_IN)


def test_broker_and_cache_use_different_redis_databases() -> None:
    given = environment()
    assert urlsplit(given["CELERY_BROKER_URL"]).path != urlsplit(given["CACHE_URL"]).path


def test_the_port_is_the_same_from_the_proxy_to_the_process() -> None:
    (port,) = SERVICES["web"]["expose"]
    assert f"--bind 0.0.0.0:{port}" in SERVICES["web"]["command"]
    assert f"EXPOSE {port}\n" in DOCKERFILE
    assert f"localhost:{port}/healthz" in SERVICES["web"]["healthcheck"]["test"][-1]
    assert f"dynamic a web {port}" in COMPOSE["configs"]["proxy"]["content"]


def test_the_image_starts_the_web_process_as_compose_does() -> None:
    (command,) = re.findall(r"^CMD (\[.*\])$", DOCKERFILE, re.MULTILINE)
    assert yaml.safe_load(command) == SERVICES["web"]["command"].split()


@pytest.mark.parametrize("service", OURS)
def test_commands_name_programs_modules_and_queues_that_exist(service: str) -> None:
    words = SERVICES[service]["command"].split()
    if words[0] == "gunicorn":
        assert importlib.util.find_spec(words[1])
    if words[0] == "celery":
        assert words[1] == "-A"
        assert importlib.util.find_spec(words[2])
    if words[0] == "python":
        assert (ROOT / words[1]).is_file()
    if "--queues" in words:
        assert words[words.index("--queues") + 1] == settings.CELERY_TASK_DEFAULT_QUEUE
    assert words[0] in {"gunicorn", "celery", "python"}


def test_the_worker_listens_to_the_queue_that_tasks_go_to() -> None:
    words = SERVICES["worker"]["command"].split()
    assert words[words.index("--queues") + 1] == settings.CELERY_TASK_DEFAULT_QUEUE


def test_web_and_workers_can_be_scaled() -> None:
    """A fixed name or a published port would allow one container only."""
    for name in ("web", "worker"):
        assert not {"container_name", "ports", "hostname"} & set(SERVICES[name]), name


def test_nothing_but_the_proxy_is_reached_from_outside() -> None:
    assert [name for name, service in SERVICES.items() if "ports" in service] == ["proxy"]


def test_ours_wait_for_the_migration_and_the_migration_for_the_database() -> None:
    for name in ("web", "worker", "timer"):
        waits = SERVICES[name]["depends_on"]
        assert waits["migrate"] == {"condition": "service_completed_successfully"}, name
    assert SERVICES["migrate"]["depends_on"]["postgres"] == {"condition": "service_healthy"}
    assert SERVICES["migrate"]["restart"] == "no"


def test_what_is_waited_for_as_healthy_has_a_health_check() -> None:
    for name, service in SERVICES.items():
        for needed, how in service.get("depends_on", {}).items():
            if how["condition"] == "service_healthy":
                assert "healthcheck" in SERVICES[needed], (name, needed)


def test_every_volume_and_config_that_is_used_is_declared() -> None:
    used = {volume.split(":")[0] for s in SERVICES.values() for volume in s.get("volumes", [])}
    assert used == set(COMPOSE["volumes"])
    configs = {config["source"] for s in SERVICES.values() for config in s.get("configs", [])}
    assert configs == set(COMPOSE["configs"])


def test_web_and_worker_share_the_folder_where_papers_lie() -> None:
    folder = environment()["CASEWRIGHT_VAR"]
    for name in ("web", "worker"):
        assert f"papers:{folder}" in SERVICES[name]["volumes"], name


def test_the_image_installs_the_lock_with_hashes_and_runs_as_nobody_special() -> None:
    assert "pip install --no-cache-dir --require-hashes -r requirements.lock" in DOCKERFILE
    users = re.findall(r"^USER (\w+)$", DOCKERFILE, re.MULTILINE)
    assert users == ["casewright"]
    assert "useradd --system --create-home casewright" in DOCKERFILE


def test_the_image_brings_the_libraries_that_setup_installs_for_papers() -> None:
    (listed,) = re.findall(r"^run_packages=\((.*)\)$", (ROOT / ".ci/setup").read_text(), re.MULTILINE)
    libraries = {name for name in listed.split() if name.startswith("lib")}
    assert libraries
    assert libraries <= set(DOCKERFILE.split())


def test_what_runs_is_locked_to_the_same_versions_as_what_is_tested() -> None:
    def pinned(name: str) -> set[str]:
        return set(re.findall(r"^(\S+==\S+)", (ROOT / name).read_text(), re.MULTILINE))

    assert pinned("requirements.lock") < pinned("requirements-dev.lock")


def test_the_service_settings_pass_every_deployment_check() -> None:
    done = run("manage.py", "check", "--deploy", "--fail-level", "WARNING")
    assert done.returncode == 0, done.stderr


def test_the_service_mode_refuses_to_start_without_its_key() -> None:
    given = environment()
    del given["SECRET_KEY"]
    done = subprocess.run(
        [sys.executable, "manage.py", "check"],
        cwd=ROOT,
        env=given | {"PATH": os.environ["PATH"], "CASEWRIGHT_VAR": str(settings.VAR_DIR)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "Set the SECRET_KEY environment variable" in done.stderr


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("CASEWRIGHT_MODE", "both", "casewright.E001"),
        ("CASEWRIGHT_NOW", "tea time", "casewright.E002"),
        ("CASEWRIGHT_NOW", "2026-03-05T13:50", "casewright.E003"),
        ("DATABASE_URL", "sqlite:///:memory:", "casewright.E004"),
        ("CELERY_BROKER_URL", "memory://", "casewright.E005"),
    ],
)
def test_a_setting_that_would_hurt_is_refused_with_a_hint(name: str, value: str, said: str) -> None:
    done = run("manage.py", "check", "--deploy", **{name: value})
    assert done.returncode == 1
    assert said in done.stderr
    assert "HINT:" in done.stderr
