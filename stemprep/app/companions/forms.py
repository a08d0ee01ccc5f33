"""The format of sound that is made from files of a package."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from stemprep.model.header import RF64_ABOVE_BYTES, AudioFormat


def form_like_most(forms: Sequence[AudioFormat], channels: int, frames: int) -> AudioFormat:
    """The rate and word length of most files, as WAV, or RF64 where that is too small.

    forms: at least one, all of one rate.
    """
    words = Counter((form.encoding, form.bit_depth, form.container_bits) for form in forms)
    encoding, bit_depth, container_bits = min(words, key=lambda word: (-words[word], word))
    form = AudioFormat(
        container="WAV",
        encoding=encoding,
        sample_rate_hz=forms[0].sample_rate_hz,
        channels=channels,
        bit_depth=bit_depth,
        container_bits=container_bits,
    )
    is_large = frames * form.frame_bytes > RF64_ABOVE_BYTES
    return replace(form, container="RF64") if is_large else form
