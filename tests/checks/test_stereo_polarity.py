from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.checks.stereo_polarity import StereoPolarityRule
from stemprep.model.session import MeasuredFile
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(
    StereoPolarityRule,
    max_correlation=-0.9,
    max_mono_sum_change_db=-6.0,
    max_low_correlation=-0.6,
)


def stereo_file(
    lasting: float | None, change_db: float | None, path: str = "Pad.wav"
) -> MeasuredFile:
    heard = sound(channels=2)
    assert heard.stereo is not None
    stereo = replace(heard.stereo, lasting_correlation=lasting, mono_sum_change_db=change_db)
    return measured_file(path, replace(heard, stereo=stereo))


@pytest.mark.parametrize(
    ("lasting", "change_db", "is_found"),
    [
        (-0.9, -6.0, True),
        (-0.89, -30.0, False),
        (-1.0, -5.9, False),
        (-1.0, -float("inf"), True),
        (None, -30.0, False),  # the two sides never sound together
        (-1.0, None, False),
    ],
)
def test_both_sides_of_the_limits(
    lasting: float | None, change_db: float | None, is_found: bool
) -> None:
    assert bool(found_in(stereo_file(lasting, change_db), "stereo-polarity", RULE)) is is_found


def test_message_tells_the_mono_sum() -> None:
    (finding,) = found_in(stereo_file(-0.95, -14.2), "stereo-polarity", RULE)
    assert "correlation -0.95" in finding.message
    assert "summed to mono, it loses 14.2 dB" in finding.message
    assert (finding.severity, finding.found, finding.required) == ("warn", -0.95, -0.9)
    assert finding.repair is None
    (gone,) = found_in(stereo_file(-1.0, -float("inf")), "stereo-polarity", RULE)
    assert "nothing is left of it" in gone.message


@pytest.mark.parametrize(
    ("path", "severity"),
    [
        ("Room MS.wav", "note"),
        ("OH_M-S.wav", "note"),
        ("Choir Mid Side.wav", "note"),
        ("Drums.wav", "warn"),
        ("Synth MSX.wav", "warn"),
        ("Pianoms.wav", "warn"),
    ],
)
def test_mid_and_side_are_a_note(path: str, severity: str) -> None:
    (finding,) = found_in(stereo_file(-0.95, -14.2, path), "stereo-polarity", RULE)
    assert finding.severity == severity


def test_mono_is_not_judged() -> None:
    assert not found_in(measured_file(), "stereo-polarity", RULE)


def low_file(low: float | None, path: str = "Overheads.wav") -> MeasuredFile:
    plain = stereo_file(0.3, -3.0, path)
    assert plain.facts.sound is not None
    assert plain.facts.sound.stereo is not None
    stereo = replace(plain.facts.sound.stereo, low_correlation=low)
    return measured_file(path, replace(plain.facts.sound, stereo=stereo))


@pytest.mark.parametrize(
    ("low", "path", "severity"),
    [
        (-0.6, "Overheads.wav", "warn"),
        (-0.95, "04_Piano.wav", "warn"),
        (-0.59, "Overheads.wav", None),
        (None, "Overheads.wav", None),
        (-0.95, "Snare.wav", None),  # top and bottom may stand on two sides
        (-0.95, "Gtr Amp.wav", None),
        (-0.95, "Room MS.wav", "note"),
    ],
)
def test_an_inverted_side_of_a_pair_in_one_file(
    low: float | None, path: str, severity: str | None
) -> None:
    found = found_in(low_file(low, path), "stereo-polarity", RULE)
    assert [each.severity for each in found] == ([] if severity is None else [severity])
    if found:
        assert "in the low end" in found[0].message
        assert (found[0].found, found[0].required) == (low, -0.6)
