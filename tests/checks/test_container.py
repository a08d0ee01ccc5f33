from __future__ import annotations

import pytest

from stemprep.model.rule import ContainerRule
from stemprep.model.words import Container
from tests.checks.factory import found_in, measured_file


def test_a_container_outside_the_list_can_be_rewrapped() -> None:
    rule = ContainerRule(accepted=("WAV", "RF64"))
    (finding,) = found_in(measured_file(container="AIFF"), "container", rule)
    assert (finding.found, finding.required, finding.repair) == ("AIFF", "WAV or RF64", "rewrap")


@pytest.mark.parametrize("accepted", [(), ("WAV",), ("RF64", "WAV")])
def test_a_container_on_the_list_or_no_list_passes(accepted: tuple[Container, ...]) -> None:
    assert not found_in(measured_file(), "container", ContainerRule(accepted=accepted))
