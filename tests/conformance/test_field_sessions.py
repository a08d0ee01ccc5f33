"""Real recordings with known answers, where they are at hand; nothing of them is kept here."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from scipy.signal import resample_poly

from tests.conformance.test_libebur128 import reference
from tests.measure.feed import measure_file

SESSIONS = Path(__file__).resolve().parents[2].parent / "shared" / "sessions"
FILES = sorted(SESSIONS.glob("*/**/*.wav"))
# One of each kind: cymbals, guitars, bass, voice, mixes, clipped and over full scale.
PEAKY = [
    path
    for path in FILES
    if path.parent.name == "S07_clipping"
    or (path.parent.name == "S03a_mix_stems_null" and "Song_" in path.name)
    or path.name in ("10_OH R.wav", "05_Hat.wav", "13_Bass DI.wav", "OD Lead Gtr.wav")
]

pytestmark = pytest.mark.skipif(not FILES, reason="the field sessions are not here")


def _named(path: Path) -> str:
    return f"{path.parent.name}/{path.name}"


def _key(session: str) -> dict[str, Any]:
    key: dict[str, Any] = json.loads((SESSIONS / "keys" / f"{session}.json").read_text())
    return key


@pytest.mark.parametrize("path", FILES[::3], ids=_named)
def test_loudness_against_libebur128(path: Path) -> None:
    samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    expected = pyebur128.get_loudness_global(reference(samples.T, rate_hz))
    assert measure_file(path).loudness.loudness_lufs == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("path", PEAKY, ids=_named)
def test_true_peak_against_sixteen_times(path: Path) -> None:
    """Reference: scipy.signal.resample_poly, 16 times, Kaiser window with beta 14."""
    samples, _ = soundfile.read(path, dtype="float32", always_2d=True)
    # Only what is within 12 dB of the peak can hold it: a fifth of the time, the same answer.
    size = np.abs(samples).max(axis=1)
    near = np.flatnonzero(size > size.max() / 4)
    first, last = max(0, near[0] - 500), near[-1] + 500
    dense = resample_poly(samples[first:last], 16, 1, axis=0, window=("kaiser", 14))
    expected = 20 * np.log10(np.abs(dense).max())
    assert measure_file(path).level.true_peak_dbtp == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("path", FILES[1::4], ids=_named)
def test_peak_and_rms_against_the_key(path: Path) -> None:
    """Keys state peak and RMS by numpy, to 0.01 dB."""
    session = path.relative_to(SESSIONS).parts[0]
    measured = _key(session).get("measured", {}).get(path.name, {})
    if "numpy_rms_dbfs" not in measured:
        pytest.skip("the key has no figures for this file")
    level = measure_file(path).level
    assert level.sample_peak_dbfs == pytest.approx(measured["numpy_peak_dbfs"], abs=0.006)
    assert level.rms_dbfs == pytest.approx(measured["numpy_rms_dbfs"], abs=0.006)


@pytest.mark.parametrize("path", [path for path in FILES if "S07" in str(path)], ids=_named)
def test_clipping_against_the_key(path: Path) -> None:
    """Full-scale runs and flat tops, every one by position; controls have neither."""
    key = _key("S07_clipping")
    clipping = measure_file(path).clipping
    expected = key["clip_runs"].get(path.name, {"count": 0, "samples": 0, "longest": 0, "runs": []})
    is_turned_down = "then" in path.name
    at_fault = clipping.flat_tops if is_turned_down else clipping.full_scale
    other = clipping.full_scale if is_turned_down else clipping.flat_tops
    assert (at_fault.count, at_fault.samples) == (expected["count"], expected["samples"])
    assert at_fault.longest == expected["longest"]
    listed = [[start, end] for _, start, end in at_fault.runs]
    assert listed[: len(expected["runs"])] == expected["runs"]
    assert other.count == 0
    if is_turned_down:
        assert clipping.flat_top_dbfs == pytest.approx(-1.0, abs=0.001)


def test_single_full_scale_sample_and_overs() -> None:
    one = measure_file(SESSIONS / "S07_clipping" / "Mix one sample at 0.wav").level
    assert one.samples_at_full_scale == 1
    assert (one.sample_peak_channel - 1, one.sample_peak_sample) == (1, 284_524)
    over = measure_file(SESSIONS / "S07_clipping" / "Mix float overs.wav").level
    assert over.samples_over_full_scale == 1_428
    assert over.sample_peak_dbfs == pytest.approx(4.2, abs=0.001)


@pytest.mark.parametrize("path", [path for path in FILES if "S07" not in str(path)], ids=_named)
def test_clean_recordings_have_no_clips(path: Path) -> None:
    clipping = measure_file(path).clipping
    assert clipping.full_scale.count == clipping.flat_tops.count == 0
