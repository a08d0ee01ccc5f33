from __future__ import annotations

import pytest

from stemprep.checks.length import LengthRule
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from tests.checks.factory import judged, measured_file, sound
from tests.shipped import shipped_rule

SECONDS = 180


def odd(frames: int, rate_hz: int = 48_000, others: int = 3) -> tuple[Finding, ...]:
    files = [
        measured_file(f"{n}.wav", sound(identity=str(n), frames=SECONDS * 48_000))
        for n in range(others)
    ]
    files.append(measured_file("odd.wav", sound(identity="odd", frames=frames), rate_hz=rate_hz))
    return judged(
        *files, wrong_rate_label=Rule(severity="warn"), length=shipped_rule(LengthRule)
    ).findings


def rates(found: tuple[Finding, ...]) -> list[float | int | str | None]:
    return [finding.required for finding in found if finding.check == "wrong-rate-label"]


@pytest.mark.parametrize(
    ("label_hz", "true_hz", "ratio"),
    [(48_000, 44_100, 0.91875), (44_100, 48_000, 1.08844), (96_000, 48_000, 0.5),
     (48_000, 96_000, 2.0), (96_000, 44_100, 0.459375)],
)  # fmt: skip
def test_a_label_of_another_rate(label_hz: int, true_hz: int, ratio: float) -> None:
    """AES5 rates; 44.1 kHz played at 48 is 1.08844 times too fast (arithmetic)."""
    frames = SECONDS * true_hz
    assert frames / label_hz / SECONDS == pytest.approx(ratio, abs=1e-5)
    found = odd(frames, label_hz)
    assert rates(found) == [true_hz]
    assert "the label is in doubt" in next(f.message for f in found if f.file == "odd.wav")


def test_a_pull_down() -> None:
    """48,000 / 1.001 = 47,952.05 Hz: 240 s of it are 240 ms longer (SMPTE 30 / 1.001)."""
    found = odd(round(SECONDS * 48_000 / 1.001))
    assert rates(found) == [pytest.approx(47_952.048, abs=0.001)]


def test_it_explains_the_length() -> None:
    found = [f.check for f in odd(SECONDS * 44_100) if f.file == "odd.wav"]
    assert "length" not in found


@pytest.mark.parametrize(
    "frames", [SECONDS * 48_000, SECONDS * 48_000 - 512, 97 * 48_000, 165 * 48_000]
)
def test_other_lengths_are_just_other_lengths(frames: int) -> None:
    assert rates(odd(frames)) == []


def test_the_same_length_at_another_rate_is_right() -> None:
    assert rates(odd(SECONDS * 44_100, 44_100)) == []


def test_one_other_file_is_no_song() -> None:
    assert rates(odd(SECONDS * 44_100, others=1)) == []


def test_it_explains_the_odd_rate_so_that_nobody_converts_it() -> None:
    found = [f.check for f in odd(SECONDS * 48_000, 44_100) if f.file == "odd.wav"]
    assert found == ["wrong-rate-label"]
