"""One streaming pass over a file's sound; one accumulator a file; no verdict."""

from stemprep.measure.meter import SoundMeter
from stemprep.measure.word import AudioWords

__all__ = ["AudioWords", "SoundMeter"]
