"""Microphones of one source: generated kits, unrelated sounds, and where is listened."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.timing import (
    Peak,
    is_verdict,
    loud_stretches,
    microphone_lag,
    spectrum,
    window_frames,
    window_start,
)

RATE_HZ = 48_000


def hits(seed: int, onsets: tuple[int, ...], frames: int = 6 * RATE_HZ) -> np.ndarray:
    """A drum: the same decaying noise burst at each onset, another one for every seed."""
    generator = np.random.default_rng(seed)
    burst = generator.normal(size=9_600) * np.exp(-np.arange(9_600) / 1_500) * 0.2
    sound = np.zeros(frames)
    for onset in onsets:
        sound[onset : onset + len(burst)] += burst
    return sound


def heard(close: np.ndarray, distant: np.ndarray, places: tuple[int, ...]) -> Peak | None:
    frames = window_frames(RATE_HZ)
    padded = [np.pad(sound, frames) for sound in (close, distant)]
    starts = [place - frames // 4 + frames for place in places]
    spectra = [spectrum(np.array([s[at : at + frames] for at in starts])) for s in padded]
    return microphone_lag(spectra[0], spectra[1], RATE_HZ)


SNARE_AT = (30_000, 90_000, 150_000, 210_000)
KICK_AT = (31_000, 62_000, 121_000, 180_500, 240_000)


@pytest.mark.parametrize("lag", [14, 256, 674, 2_000])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_distant_microphone_under_the_spill_of_another_drum(lag: int, sign: int) -> None:
    """The other drum is as loud in the distant microphone, and nearer to it."""
    snare, kick = hits(1, SNARE_AT), hits(2, KICK_AT)
    close = snare + 0.1 * np.roll(kick, 99)
    distant = sign * (np.roll(snare, lag) + np.roll(kick, max(lag - 98, 0)))
    peak = heard(close, distant, SNARE_AT)
    assert peak is not None
    assert is_verdict(peak)
    assert peak.lag_samples == pytest.approx(lag, abs=0.5)
    assert peak.is_inverted == (sign < 0)


def test_thirty_unrelated_pairs_give_no_verdict() -> None:
    for seed in range(30):
        peak = heard(hits(seed, SNARE_AT), hits(seed + 100, KICK_AT), SNARE_AT)
        assert peak is not None
        assert not is_verdict(peak)


def test_silence_gives_nothing() -> None:
    silent = np.zeros(6 * RATE_HZ)
    assert heard(silent, hits(1, SNARE_AT), SNARE_AT) is None
    assert heard(hits(1, SNARE_AT), silent, SNARE_AT) is None


def test_an_early_microphone_has_a_negative_lag() -> None:
    snare = hits(3, SNARE_AT)
    peak = heard(snare, np.roll(snare, -120), SNARE_AT)
    assert peak is not None
    assert peak.lag_samples == pytest.approx(-120, abs=0.01)


@pytest.mark.parametrize(
    ("rate_hz", "frames"), [(44_100, 16_384), (48_000, 16_384), (96_000, 32_768)]
)
def test_windows_last_as_long_at_every_rate(rate_hz: int, frames: int) -> None:
    assert window_frames(rate_hz) == frames


def test_the_loudest_columns_are_taken_in_order_and_apart() -> None:
    columns = [0.0, 0.5, 0.6, 0.0, 0.0, 0.9, 0.0, 0.2]
    found = loud_stretches(columns, frames=8_000, apart=1_500)
    assert found == ((2_000, 3_000), (5_000, 6_000), (7_000, 8_000))


def test_no_more_than_sixteen_places_and_none_in_silence() -> None:
    assert len(loud_stretches([0.5] * 600, frames=600_000, apart=1)) == 16
    assert loud_stretches([0.0] * 600, frames=600_000, apart=1) == ()
    assert loud_stretches([], frames=0, apart=1) == ()


def test_a_window_begins_before_the_loudest_sample() -> None:
    stretch = np.zeros(1_000)
    stretch[400] = -0.9
    assert window_start(stretch, 10_000, RATE_HZ) == 10_400 - window_frames(RATE_HZ) // 4
