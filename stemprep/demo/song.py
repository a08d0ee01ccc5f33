"""The song: eight bars in D minor, as dry sources on one timeline."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from stemprep.demo.instruments import Mono, hat, kick, snare, string, voice

TEMPO_BPM = 92
BEATS_A_BAR = 4
BARS = 5
LEAD_IN_S = 1.0
TAIL_S = 1.6
MANDOLIN_ENTERS_BAR = 3

_CHORDS = (  # MIDI notes: bass, then the chord
    (38, (62, 65, 69)),
    (34, (58, 62, 65)),
    (41, (60, 65, 69)),
    (36, (60, 64, 67)),
    (38, (62, 65, 69)),
)
_MELODY = (  # bar, beat, beats long, MIDI note
    (0, 2.0, 2.0, 69), (1, 0.0, 1.5, 70), (1, 1.5, 2.0, 69), (2, 0.0, 1.0, 65), (2, 1.0, 2.5, 67),
    (3, 0.0, 2.0, 64), (3, 2.0, 1.5, 62), (4, 0.0, 3.0, 62),
)  # fmt: skip
_UNDER_IT = (65, 67, 65, 62, 64, 60, 55, 57)  # one MIDI note under each of the melody


def frequency_hz(note: int) -> float:
    """Equal temperament with A4 = MIDI note 69 = 440 Hz (ISO 16)."""
    return float(440.0 * 2.0 ** ((note - 69) / 12.0))


def length_samples(rate_hz: int) -> int:
    """Length of the whole take: whole tenths of a second, the same at every usual rate."""
    seconds = LEAD_IN_S + BARS * BEATS_A_BAR * 60 / TEMPO_BPM + TAIL_S
    return round(seconds * 10) * rate_hz // 10


def _onset_samples(bar: int, beat: float, rate_hz: int) -> int:
    return round((LEAD_IN_S + (bar * BEATS_A_BAR + beat) * 60 / TEMPO_BPM) * rate_hz)


def _placed(notes: Iterable[tuple[int, float, Mono]], rate_hz: int) -> Mono:
    """Sum notes into the take: (onset in samples, gain, sound)."""
    take = np.zeros(length_samples(rate_hz))
    for onset, gain, sound in notes:
        end = min(onset + sound.size, take.size)
        take[onset:end] += gain * sound[: end - onset]
    return take


def _beats() -> Iterable[tuple[int, int]]:
    return ((bar, beat) for bar in range(BARS) for beat in range(BEATS_A_BAR))


def kick_source(rate_hz: int) -> Mono:
    """Kick on one and three, with a push before three in every other bar."""
    hits: list[tuple[int, float, float]] = [
        (bar, beat, 0.9) for bar, beat in _beats() if beat in (0, 2)
    ]
    hits += [(bar, 1.5, 0.5) for bar in range(1, BARS, 2)]
    return _placed(
        ((_onset_samples(bar, beat, rate_hz), gain, kick(rate_hz)) for bar, beat, gain in hits),
        rate_hz,
    )


def snare_source(rate_hz: int) -> Mono:
    """Snare on two and four, each hit a little different."""
    return _placed(
        (
            (_onset_samples(bar, beat, rate_hz), 0.7 + 0.05 * bar, snare(rate_hz, 31 * bar + beat))
            for bar, beat in _beats()
            if beat in (1, 3)
        ),
        rate_hz,
    )


def hat_source(rate_hz: int) -> Mono:
    """Eighths, the off-beats softer."""
    eighths = [(bar, half / 2) for bar in range(BARS) for half in range(8)]
    return _placed(
        (
            (_onset_samples(bar, beat, rate_hz), 0.5 if beat % 1 == 0 else 0.3, hat(rate_hz, seed))
            for seed, (bar, beat) in enumerate(eighths)
        ),
        rate_hz,
    )


def bass_source(rate_hz: int) -> Mono:
    """Roots on one and the push before three."""
    beat_s = 60 / TEMPO_BPM
    return _placed(
        (
            (
                _onset_samples(bar, beat, rate_hz),
                0.8,
                string(frequency_hz(root), 1.5 * beat_s, rate_hz, brightness=0.2),
            )
            for bar, (root, _) in enumerate(_CHORDS)
            for beat in (0.0, 1.5, 3.0)
        ),
        rate_hz,
    )


def chord_source(rate_hz: int, *, is_piano: bool) -> Mono:
    """The chords: held by the piano, in broken eighths by the guitar."""
    beat_s = 60 / TEMPO_BPM
    notes = []
    for bar, (_, chord) in enumerate(_CHORDS):
        for step, note in enumerate(chord if is_piano else (*chord, *chord[::-1], *chord[:2])):
            beat = 0.02 * step if is_piano else step / 2
            seconds = (3.6 if is_piano else 1.0) * beat_s
            sound = string(
                frequency_hz(note), seconds, rate_hz, brightness=0.35 if is_piano else 0.8
            )
            notes.append((_onset_samples(bar, beat, rate_hz), 0.3, sound))
    return _placed(notes, rate_hz)


def voice_source(rate_hz: int) -> Mono:
    """The hummed melody."""
    return _hummed(_MELODY, rate_hz)


def harmony_source(rate_hz: int) -> Mono:
    """A second voice under the melody, in its rhythm."""
    under = zip(_MELODY, _UNDER_IT, strict=True)
    return _hummed([(bar, beat, beats, note) for (bar, beat, beats, _), note in under], rate_hz)


def _hummed(notes: Iterable[tuple[int, float, float, int]], rate_hz: int) -> Mono:
    beat_s = 60 / TEMPO_BPM
    return _placed(
        (
            (
                _onset_samples(bar, beat, rate_hz),
                0.6,
                voice(frequency_hz(note - 12), beats * beat_s, rate_hz),
            )
            for bar, beat, beats, note in notes
        ),
        rate_hz,
    )


def mandolin_source(rate_hz: int) -> Mono:
    """The chords an octave up from bar 3 on, broken upwards three times a bar."""
    seconds = 1.2 * 60 / TEMPO_BPM
    return _placed(
        (
            (
                _onset_samples(bar, beat + 0.03 * step, rate_hz),
                0.2,
                string(frequency_hz(note + 12), seconds, rate_hz, brightness=0.8),
            )
            for bar, (_, chord) in enumerate(_CHORDS)
            for beat in (0.0, 1.5, 2.5)
            for step, note in enumerate(chord)
            if bar >= MANDOLIN_ENTERS_BAR - 1
        ),
        rate_hz,
    )


def bar_samples(bar: int, rate_hz: int) -> int:
    """Where a bar begins in the take; bars count from 1."""
    return _onset_samples(bar - 1, 0.0, rate_hz)


def bar_one_samples(rate_hz: int) -> int:
    """Where bar 1 begins in the take."""
    return bar_samples(1, rate_hz)
