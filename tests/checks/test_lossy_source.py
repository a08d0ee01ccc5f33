from __future__ import annotations

from stemprep.checks.bit_depth import BitDepthRule
from stemprep.checks.container import ContainerRule
from stemprep.model.rule import Rule
from tests.checks.factory import fault, found_in, judged, measured_file
from tests.shipped import shipped_rule


def test_the_readers_fault_is_told_once() -> None:
    file = measured_file(encoding="lossy", container="MP3", faults=(fault("lossy-source"),))
    (finding,) = found_in(file, "lossy-source", Rule(severity="fail"))
    assert finding.message == "the message"


def test_a_lossy_encoding_is_told_without_a_fault() -> None:
    file = measured_file(encoding="lossy", container="OGG")
    (finding,) = found_in(file, "lossy-source", Rule(severity="fail"))
    assert (finding.found, finding.required) == ("OGG", "lossless")


def test_pcm_passes() -> None:
    assert not found_in(measured_file(container="AIFF"), "lossy-source", Rule(severity="warn"))


def test_lossy_words_and_containers_are_not_told_again() -> None:
    file = measured_file(encoding="lossy", container="MP3", bit_depth=16)
    judgement = judged(
        file,
        container=shipped_rule(ContainerRule, accepted=("WAV",)),
        lossy_source=Rule(severity="fail"),
        bit_depth=shipped_rule(BitDepthRule, minimum_bits=24),
    )
    assert [finding.check for finding in judgement.findings] == ["lossy-source"]
