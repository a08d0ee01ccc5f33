"""The sound around one place as a page draws and plays it."""

from __future__ import annotations

import base64
from dataclasses import dataclass, replace

from stemprep.model.closeup import Closeup
from stemprep.model.header import AudioFormat
from stemprep.report import figures
from stemprep.report.waveform import Tick, stretch_picture, time_ticks
from stemprep.units import clock_from_samples, db_from_ratio

HEIGHT = 100
MAX_TICKS = 6
MIN_SPOT_COLUMNS = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Zoom:
    """Path of the sound, where in it the place lies, and the excerpt as base64.

    columns: width of the path's box; spot_x, spot_width: in it.
    sound: base64 of a FLAC stream; "" where nothing is to be heard.
    """

    path: str
    columns: int
    spot_x: float
    spot_width: float
    ticks: tuple[Tick, ...]
    words: str
    sound: str
    sound_words: str
    path_words: str

    @staticmethod
    def silent(shown: Zoom) -> Zoom:
        """The same without its sound, which a page holds once."""
        return replace(shown, sound="")


def zoom(closeup: Closeup, form: AudioFormat) -> Zoom:
    """Lay out a closeup; drawn to its own peak, which is told."""
    near, rate_hz = closeup.near, form.sample_rate_hz
    path, columns, peak = stretch_picture(near, HEIGHT)
    begin = (closeup.place.start_sample - near.start_sample) / near.step_samples
    width = (closeup.place.end_sample - closeup.place.start_sample) / near.step_samples
    width, begin = max(width, MIN_SPOT_COLUMNS), min(begin, columns - MIN_SPOT_COLUMNS)
    span_s = (near.end_sample - near.start_sample) / rate_hz
    side = figures.channel_name(closeup.channel, form.channels)
    size = f"{1000 * span_s:.0f} ms" if span_s < 1 else f"{span_s:.1f} s"
    top = f"up to {figures.level(db_from_ratio(peak), 'dBFS')}" if peak else "silence"
    clock = clock_from_samples(closeup.place.start_sample, rate_hz)
    heard = closeup.excerpt
    return Zoom(
        path=path,
        columns=columns,
        spot_x=round(begin - max(0.0, MIN_SPOT_COLUMNS - width) / 2, 1),
        spot_width=round(width, 1),
        ticks=time_ticks(
            near.end_sample - near.start_sample, rate_hz, near.start_sample, MAX_TICKS
        ),
        words=", ".join(part for part in (f"{size} around {clock}", side, top) if part),
        sound="" if heard is None else base64.b64encode(heard.flac).decode("ascii"),
        sound_words="" if heard is None else _heard_words(heard.gain_db),
        path_words=f"{closeup.path} at {clock}",
    )


def _heard_words(gain_db: float) -> str:
    if gain_db > -0.05:
        return "as loud as it is"
    return f"turned down by {-gain_db:.1f} dB"
