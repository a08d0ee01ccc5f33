"""One streaming pass over a file's sound; one accumulator a file; no verdict."""

from stemprep.measure.meter import SoundMeter

__all__ = ["SoundMeter"]
