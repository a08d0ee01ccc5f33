"""The format of a delivered file, from the facts in its manifest."""

from __future__ import annotations

from collections import Counter
from typing import cast, get_args

from stemprep.lineage.records import DeliveredFile, Manifest
from stemprep.model.header import AudioFormat
from stemprep.model.words import Container, Encoding


def format_of(file: DeliveredFile) -> AudioFormat | None:
    """Its format; None where the manifest does not tell one that is known here."""
    container, encoding = file.facts.get("container"), file.facts.get("encoding")
    rate_hz, channels = file.whole("sample_rate_hz"), file.whole("channels")
    bits, stored_bits = file.whole("bit_depth"), file.whole("container_bits")
    if container not in get_args(Container) or encoding not in get_args(Encoding):
        return None
    if not rate_hz or not channels or bits is None or stored_bits is None:
        return None
    return AudioFormat(
        container=cast("Container", container),
        encoding=cast("Encoding", encoding),
        sample_rate_hz=rate_hz,
        channels=channels,
        bit_depth=bits,
        container_bits=stored_bits,
        channel_mask=file.whole("channel_mask"),
    )


def session_formats(manifest: Manifest) -> dict[str, AudioFormat]:
    """Per song, rate and word length that most of its delivered originals have.

    Of equally many the higher rate and the longer word count, as nothing is lost on the way up.
    """
    found: dict[str, list[AudioFormat]] = {}
    for file in manifest.dropped_files:
        form = format_of(file)
        if form is not None:
            found.setdefault(file.song, []).append(form)
    return {song: _most_common(forms) for song, forms in found.items()}


def _most_common(forms: list[AudioFormat]) -> AudioFormat:
    def key(form: AudioFormat) -> tuple[int, str, int]:
        return form.sample_rate_hz, form.encoding, form.bit_depth

    counts = Counter(map(key, forms))
    return max(forms, key=lambda form: (counts[key(form)], form.sample_rate_hz, form.bit_depth))
