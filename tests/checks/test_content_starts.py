"""start-alignment by a shared signal, where no file has a time reference."""

from __future__ import annotations

from dataclasses import replace

from stemprep.checks import judge
from stemprep.checks.content_starts import common_lag
from stemprep.checks.length import LengthRule
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import ContentLag
from stemprep.model.rule import Rule
from tests.checks.factory import measured_file, session, sound, spec
from tests.shipped import shipped_rule


def lags(**by_file: int) -> tuple[ContentLag, ...]:
    return tuple(
        ContentLag(
            song="", reference="drums.wav", file=f"{name}.wav", sample_rate_hz=48_000,
            lag_samples=lag, likeness=1.0,
        )
        for name, lag in by_file.items()
    )  # fmt: skip


def found(given: tuple[ContentLag, ...], longer: str = "") -> list[Finding]:
    files = [
        measured_file(
            lag.file, sound(identity=lag.file, frames=480_512 if lag.file == longer else 480_000)
        )
        for lag in given
    ]
    rules = {"start-alignment": Rule(severity="fail"), "length": shipped_rule(LengthRule)}
    judgement = judge(replace(session(*files), content_lags=given), spec(rules))
    return [each for each in judgement.findings if each.check in rules]


def test_late_and_early_files_are_told_with_their_offset_and_nothing_is_moved() -> None:
    told = {f.file: f for f in found(lags(drums=0, bass=0, keys=0, gtr=512, vox=-64))}
    assert set(told) == {"gtr.wav", "vox.wav"}
    assert (told["gtr.wav"].found, told["vox.wav"].found) == (512, -64)
    assert all(f.severity == "warn" and f.repair is None for f in told.values())
    assert "512 samples (10.67 ms) later than 3 files that agree" in told["gtr.wav"].message


def test_the_reference_itself_can_be_the_odd_one() -> None:
    (finding,) = found(lags(drums=0, bass=100, keys=100, gtr=100))
    assert (finding.file, finding.found) == ("drums.wav", -100)


def test_the_longer_file_that_starts_late_is_told_once() -> None:
    assert [f.check for f in found(lags(drums=0, bass=0, gtr=512), "gtr.wav")] == [
        "start-alignment"
    ]


def test_without_a_majority_nothing_is_told() -> None:
    assert common_lag(lags(a=0, b=5)) is None
    assert common_lag(lags(a=0, b=0, c=5, d=5)) is None
    assert common_lag(lags(a=0, b=1, c=2)) is None
    assert not found(lags(a=0, b=0, c=5, d=5))
