from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from stemprep.model.sheet import BarOne, MidiTempo, SongNote, TempoMark
from stemprep.prepare.click import Tick, click_blocks, tick_sound, ticks_between
from stemprep.timeline import SongTimeline, timeline_of_song

RATE_HZ = 48_000


def timeline(*marks: TempoMark, bar_1: int = 0, rate_hz: int = RATE_HZ) -> SongTimeline:
    note = SongNote(title="A", bar_1=BarOne(samples=bar_1), tempo_map=marks)
    return timeline_of_song(note, rate_hz, is_stamped=False)


def rendered(ticks: list[Tick], frames: int, rate_hz: int = RATE_HZ) -> np.ndarray:
    return np.concatenate(list(click_blocks(ticks, frames, rate_hz)), axis=1)[0]


def onsets(sound: np.ndarray) -> list[int]:
    """Samples that sound after at least 64 that do not."""
    loud = np.flatnonzero(sound)
    return [int(n) for n, gap in zip(loud, np.diff(loud, prepend=-100), strict=True) if gap > 64]


def test_ticks_on_every_beat_accented_on_bar_lines() -> None:
    ticks = list(ticks_between(timeline(TempoMark(bar=1, tempo_bpm=120, meter="3/4")), 0, 96_000))
    assert ticks == [
        Tick(0, True), Tick(24_000, False), Tick(48_000, False), Tick(72_000, True),
    ]  # fmt: skip


def test_a_count_in_is_clicked_too() -> None:
    known = timeline(TempoMark(bar=1, tempo_bpm=120, meter="4/4"), bar_1=96_000)
    assert [tick.sample for tick in ticks_between(known, 0, 96_001)] == [
        0, 24_000, 48_000, 72_000, 96_000,
    ]  # fmt: skip
    assert [tick.is_accented for tick in ticks_between(known, 1, 96_001)] == [
        False, False, False, True,
    ]  # fmt: skip


def test_a_bar_that_is_cut_short_sounds_no_beat_twice() -> None:
    midi = MidiTempo(ticks_per_quarter=100, tempos=((0, 500_000),), meters=((0, 4, 4), (250, 3, 4)))
    note = SongNote(title="A", bar_1=BarOne(samples=0), tempo_read=midi)
    known = timeline_of_song(note, RATE_HZ, is_stamped=False)
    assert [(tick.sample, tick.is_accented) for tick in ticks_between(known, 0, 130_000)] == [
        (0, True), (24_000, False), (48_000, False), (60_000, True), (84_000, False),
        (108_000, False),
    ]  # fmt: skip


def test_the_sound_begins_with_its_peak_on_the_sample() -> None:
    """-12 and -18 dBFS: 10^(-12/20) = 0.2512 and 10^(-18/20) = 0.1259."""
    known = timeline(TempoMark(bar=1, tempo_bpm=93.17, meter="5/8"), bar_1=12_345)
    ticks = list(ticks_between(known, 0, 30 * RATE_HZ))
    sound = rendered(ticks, 30 * RATE_HZ)
    assert onsets(sound) == [tick.sample for tick in ticks]
    for tick in ticks:
        peak = 0.2512 if tick.is_accented else 0.1259
        assert sound[tick.sample] == pytest.approx(peak, abs=5e-5)
        assert np.abs(sound[tick.sample : tick.sample + 1440]).max() == sound[tick.sample]
    assert 12_345 in onsets(sound)


def test_silence_between_ticks_is_digital() -> None:
    sound = rendered([Tick(100, True)], 10_000)
    assert not sound[:100].any()
    assert not sound[100 + 1440 :].any()


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 192_000])
def test_pitch(rate_hz: int) -> None:
    """Common practice: a bar line is told by a higher pitch."""
    for is_accented, hz in ((True, 1_500), (False, 1_000)):
        sound = tick_sound(rate_hz, is_accented=is_accented)
        spectrum = np.abs(np.fft.rfft(sound, rate_hz))
        assert abs(int(spectrum.argmax()) - hz) <= 40  # the decay widens the line
        assert sound[-1] == pytest.approx(0, abs=1e-4)


def test_a_fast_tick_ends_the_one_before() -> None:
    sound = rendered([Tick(0, True), Tick(50, False)], 3_000)
    assert sound[50] == pytest.approx(0.1259, abs=5e-5)


def test_blocks_join_without_a_seam() -> None:
    """A tick over the border of two blocks is whole."""
    ticks = [Tick(65_536 - 700, True), Tick(2 * 65_536 - 1, False)]
    sound = rendered(ticks, 3 * 65_536)
    for tick in ticks:
        whole = tick_sound(RATE_HZ, is_accented=tick.is_accented)
        assert np.array_equal(sound[tick.sample : tick.sample + whole.size], whole)
    assert sound.size == 3 * 65_536


def test_ticks_are_the_exact_beats_rounded_once() -> None:
    """140 at 96 kHz: a beat is 41142.857 samples; the 1000th is not 1000 rounded ones."""
    known = timeline(TempoMark(bar=1, tempo_bpm=140), rate_hz=96_000)
    ticks = list(ticks_between(known, 0, 96_000 * 430))
    assert ticks[1000].sample == round(Fraction(1000 * 60 * 96_000, 140)) == 41_142_857
