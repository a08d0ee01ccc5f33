from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.checks.container import ContainerRule
from stemprep.model.words import Container
from stemprep.spec import load_spec
from tests.checks.factory import found_in, measured_file
from tests.shipped import shipped_rule


def test_a_container_outside_the_list_can_be_rewrapped() -> None:
    rule = shipped_rule(ContainerRule, accepted=("WAV", "RF64"))
    (finding,) = found_in(measured_file(container="AIFF"), "container", rule)
    assert (finding.found, finding.required, finding.repair) == ("AIFF", "WAV or RF64", "rewrap")


@pytest.mark.parametrize("accepted", [(), ("WAV",), ("RF64", "WAV")])
def test_a_container_on_the_list_or_no_list_passes(accepted: tuple[Container, ...]) -> None:
    assert not found_in(
        measured_file(), "container", shipped_rule(ContainerRule, accepted=accepted)
    )


@pytest.mark.parametrize(
    ("size_bytes", "container", "is_told"),
    [
        (2147483648, "WAV", False),
        (2147483649, "WAV", True),
        (44, "RF64", True),
        (44, "BW64", True),
        (44, "AIFF", False),
    ],
)
def test_a_large_file_is_told_where_the_spec_says_so(
    size_bytes: int, container: Container, is_told: bool
) -> None:
    file = measured_file(container=container)
    file = replace(file, facts=replace(file.facts, size_bytes=size_bytes))
    rule = shipped_rule(ContainerRule, largest_bytes=2147483648)
    assert bool(found_in(file, "container", rule)) == is_told
    assert not found_in(file, "container", shipped_rule(ContainerRule))


def test_an_overdub_room_is_told() -> None:
    """Common practice, no source: recorders and older systems stop at 2 GiB."""
    rule = load_spec("overdub").rule("container", "track")
    assert isinstance(rule, ContainerRule)
    assert (rule.severity, rule.largest_bytes) == ("warn", 2 << 30)
    other = load_spec("mastering").rule("container", "mix")
    assert isinstance(other, ContainerRule)
    assert other.largest_bytes is None
