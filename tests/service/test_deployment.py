"""What is shipped for systemd and containers agrees with the service."""

from __future__ import annotations

import configparser
import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from stemprep.cli.main import COMMANDS
from stemprep.service.watch import HARD_END_S
from stemprep.spec import load_service

DOCKER = Path(__file__).parents[2] / "docker"


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load((DOCKER / "compose.yaml").read_text("utf-8"))
    return found


@pytest.fixture(scope="module")
def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(DOCKER / "stemprep.service", "utf-8")
    return parser


def test_the_containers_config_holds_and_stays_in_its_volumes() -> None:
    config = load_service(DOCKER / "service.yaml")
    volumes = ("/var/lib/stemprep", "/srv/inbox", "/srv/delivered", "/srv/archived")
    assert config.warnings == ()
    places = [config.state, *config.destinations]
    for inbox in config.inboxes:
        places += [inbox.path, *([inbox.archive] if inbox.archive else [])]
    for place in places:
        assert str(place).startswith(volumes), place
    dockerfile = (DOCKER / "Dockerfile").read_text("utf-8")
    for volume in volumes:
        assert f'"{volume}"' in dockerfile


def test_the_container_runs_without_root_and_writes_to_volumes_alone(
    compose: dict[str, Any],
) -> None:
    service = compose["services"]["stemprep"]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    dockerfile = (DOCKER / "Dockerfile").read_text("utf-8")
    last_stage = dockerfile.rsplit("\nFROM ", 1)[1]
    assert "\nUSER stemprep\n" in last_stage
    assert "\nHEALTHCHECK " in last_stage


def test_supervisors_wait_longer_than_the_service_needs_to_end(
    compose: dict[str, Any], unit: configparser.ConfigParser
) -> None:
    needed_s = load_service(DOCKER / "service.yaml").stop_within_s + HARD_END_S
    grace = compose["services"]["stemprep"]["stop_grace_period"]
    assert int(grace.removesuffix("s")) > needed_s
    assert int(unit["Service"]["TimeoutStopSec"]) > needed_s


def test_commands_that_are_run_are_commands(unit: configparser.ConfigParser) -> None:
    texts = [unit["Service"]["ExecStart"], (DOCKER / "Dockerfile").read_text("utf-8")]
    used = re.findall(
        r'stemprep watch|"stemprep", "(\w+)"|CMD \["(\w+)", "--config"', "\n".join(texts)
    )
    assert {name for pair in used for name in pair if name} <= set(COMMANDS)
    assert "watch" in COMMANDS
    assert unit["Service"]["User"] != "root"


def test_places_are_made_known_before_the_first_start() -> None:
    """The service ends with exit code 3 without it; the config is the one that it runs with."""
    command = "places --config /etc/stemprep/service.yaml --make"
    readme = (DOCKER.parent / "README.md").read_text("utf-8")
    before, _, after = readme.partition(command)
    assert "systemctl enable --now stemprep" in after
    assert "systemctl enable --now stemprep" not in before
    for name in ("compose.yaml", "service.yaml"):
        assert command in (DOCKER / name).read_text("utf-8"), name
    assert "places --config FILE --make" in (DOCKER / "stemprep.service").read_text("utf-8")


def test_what_may_be_written_under_systemd_is_named(unit: configparser.ConfigParser) -> None:
    assert unit["Service"]["ProtectSystem"] == "strict"
    assert unit["Service"]["StateDirectory"] == "stemprep"
    assert "/srv/inbox" in unit["Service"]["ReadWritePaths"]
