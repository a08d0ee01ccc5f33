from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.checks import judge
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import MicLag
from stemprep.model.rule import Rule
from tests.checks.factory import measured_file, session, sound, spec

BOTTOM = MicLag(
    song="",
    reference="Snare Top.wav",
    file="Snare Bot.wav",
    relation="group",
    sample_rate_hz=48_000,
    lag_samples=14.0,
    polarity="inverted",
    confidence=1.0,
)
KIT = replace(BOTTOM, file="Mono Kit.wav", relation="kit", lag_samples=341.0, confidence=0.9)


def judged(*lags: MicLag, stereo: str = "") -> tuple[Finding, ...]:
    paths = dict.fromkeys(path for lag in lags for path in (lag.reference, lag.file))
    files = [
        measured_file(path, sound(identity=path, channels=2 if path == stereo else 1))
        for path in paths
    ]
    measured = replace(session(*files), mic_lags=lags)
    findings = judge(measured, spec({"mic-polarity": Rule(severity="fail")})).findings
    return tuple(each for each in findings if each.check == "mic-polarity")


def test_a_bottom_microphone_is_inverted_by_design() -> None:
    (finding,) = judged(BOTTOM)
    assert (finding.severity, finding.file) == ("note", "Snare Bot.wav")
    assert "on the other side of it usually is" in finding.message
    assert finding.repair is None


def test_a_kit_microphone_inverted_against_all_is_a_note() -> None:
    (finding,) = judged(KIT, replace(KIT, reference="Kick In.wav", confidence=0.7))
    assert finding.severity == "note"
    assert finding.message.startswith("Mono Kit is inverted against Snare Top, Kick In")
    assert finding.against == ("Snare Top.wav", "Kick In.wav")


def test_the_majority_of_the_clear_ones_decides() -> None:
    same = replace(KIT, reference="Kick In.wav", polarity="same", confidence=0.95)
    assert not judged(KIT, same)
    assert judged(replace(KIT, confidence=0.99), replace(same, confidence=0.5))


def test_who_hears_the_far_side_has_no_vote() -> None:
    against_bottom = replace(KIT, reference="Snare Bot.wav")
    told = judged(BOTTOM, against_bottom)
    assert [finding.file for finding in told] == ["Snare Bot.wav"]


@pytest.mark.parametrize(
    ("reference", "file", "severity"),
    [("Gtr 1.wav", "Gtr 2.wav", "fail"), ("Snare Top.wav", "Snare Bot.wav", "note"),
     ("Gtr Front.wav", "Gtr Back.wav", "note")],
)  # fmt: skip
def test_only_a_declared_pair_on_one_side_is_a_warning(
    reference: str, file: str, severity: str
) -> None:
    (finding,) = judged(replace(BOTTOM, reference=reference, file=file, relation="pair"))
    assert finding.severity == severity


def test_the_channel_of_a_stereo_file_is_named() -> None:
    (finding,) = judged(replace(KIT, file="Room.wav", channel=2), stereo="Room.wav")
    assert finding.message.startswith("Room (right) is inverted against Snare Top")


def test_same_polarity_and_no_verdict_are_silent() -> None:
    assert not judged(replace(BOTTOM, polarity="same"))
    assert not judged(replace(BOTTOM, polarity=None, lag_samples=None))


SIDES = replace(BOTTOM, reference="OH L.wav", file="OH R.wav", lag_samples=None, polarity=None)


@pytest.mark.parametrize(("low", "count"), [(-0.9, 1), (-0.41, 1), (-0.39, 0), (0.9, 0), (None, 0)])
def test_left_and_right_are_compared_in_the_low_end(low: float | None, count: int) -> None:
    found = judged(replace(SIDES, low_correlation=low))
    assert [each.severity for each in found] == ["fail"] * count
    if found:
        assert found[0].message.startswith("OH R is inverted against OH L: left and right")


def test_low_end_and_whole_band_together_need_less() -> None:
    inverted = replace(SIDES, lag_samples=3.0, polarity="inverted")
    assert judged(replace(inverted, low_correlation=-0.2))
    assert not judged(replace(inverted, low_correlation=0.25))
    assert not judged(replace(inverted, polarity="same", low_correlation=-0.2))


def test_what_the_treble_says_of_left_and_right_does_not_count() -> None:
    assert not judged(replace(SIDES, low_correlation=0.5, lag_samples=40.0, polarity="inverted"))
