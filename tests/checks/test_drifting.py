"""start-alignment by a lag that grows or shrinks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.checks import judge
from stemprep.model.mic_pairs import MicLag
from stemprep.model.rule import Rule
from tests.checks.factory import measured_file, session, sound, spec


@pytest.mark.parametrize(
    ("ppm", "words"),
    [
        (30.0, "later and later against close, by 30.0 ppm (0.3 ms over its length)"),
        (-999.0, "earlier and earlier against close, by 999.0 ppm (10.0 ms over its length)"),
        (None, ""),
    ],
)
def test_two_clocks_are_told_in_parts_per_million(ppm: float | None, words: str) -> None:
    """Arithmetic: 30 millionths of 10 s are 0.3 ms."""
    lag = MicLag(
        song="",
        reference="close.wav",
        file="camera.wav",
        relation="group",
        sample_rate_hz=48_000,
        lag_samples=3.0,
        polarity="same",
        confidence=0.9,
        drift_ppm=ppm,
    )
    files = [measured_file(name, sound(identity=name)) for name in ("close.wav", "camera.wav")]
    judgement = judge(
        replace(session(*files), mic_lags=(lag,)), spec({"start-alignment": Rule(severity="fail")})
    )
    told = [each for each in judgement.findings if each.check == "start-alignment"]
    assert bool(told) == (ppm is not None)
    for finding in told:
        assert (finding.severity, finding.file, finding.unit) == ("warn", "camera.wav", "ppm")
        assert words in finding.message
