"""Facts as JSON by the contract's field names, and the one way JSON is written here.

Strict JSON has no infinity: such a figure is null, and ``is_NAME_infinite`` beside it is true. A
null with a false flag was not measurable. Levels are minus infinity in digital silence.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from stemprep.model.facts import (
    ClickFacts,
    EdgeFacts,
    FileFacts,
    LevelFacts,
    LoudnessFacts,
    PauseFacts,
    Runs,
    SilenceFacts,
    Sound,
    StereoFacts,
    TransientFacts,
)
from stemprep.model.header import Bext, Header, HeaderFault

DB_DECIMALS = 4
RATIO_DECIMALS = 9

Json = dict[str, Any]


def dumps(value: object) -> str:
    r"""Write strict JSON: keys sorted, lists of plain values on one line, a newline at the end.

    The same value always gives the same text. Bytes of names that were not UTF-8 (surrogates)
    are written ``\xNN``. Raises ValueError for NaN and infinity and TypeError for what JSON
    does not know.
    """
    return "".join(_pieces(value, "")) + "\n"


def _pieces(value: object, margin: str) -> Iterator[str]:
    inner = margin + "  "
    if isinstance(value, Mapping) and value:
        yield "{"
        for position, key in enumerate(sorted(value)):
            yield f"{',' if position else ''}\n{inner}{_scalar(_checked_key(key))}: "
            yield from _pieces(value[key], inner)
        yield f"\n{margin}}}"
    elif isinstance(value, list | tuple) and not all(map(_is_flat, value)):
        yield "["
        for position, item in enumerate(value):
            yield f"{',' if position else ''}\n{inner}"
            yield from _pieces(item, inner)
        yield f"\n{margin}]"
    elif isinstance(value, list | tuple):
        yield f"[{', '.join(map(_one_line, value))}]"
    else:
        yield _scalar({} if isinstance(value, Mapping) else value)


def _is_flat(value: object) -> bool:
    """Tell plain values and short lists of them, such as (channel, start, end)."""
    if isinstance(value, list | tuple):
        return len(value) <= 4 and not any(
            isinstance(item, Mapping | list | tuple | str) for item in value
        )
    return not isinstance(value, Mapping)


def _one_line(value: object) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_scalar, value))}]"
    return _scalar(value)


def _scalar(value: object) -> str:
    clean = clean_text(value) if isinstance(value, str) else value
    return json.dumps(clean, ensure_ascii=False, allow_nan=False)


def _checked_key(key: object) -> str:
    if not isinstance(key, str):
        raise TypeError(f"JSON keys are text, not {key!r}")
    return key


def clean_text(text: str) -> str:
    r"""Make text writable as UTF-8: lone surrogates become ``\xNN`` (or ``\uNNNN``)."""
    if text.isascii():
        return text
    return "".join(map(_clean_character, text))


def _clean_character(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # how Python keeps a name's byte that is not UTF-8 (PEP 383)
        return f"\\x{code - 0xDC00:02X}"
    return f"\\u{code:04X}" if 0xD800 <= code <= 0xDFFF else character


def rounded(value: float | None, decimals: int = DB_DECIMALS) -> float | None:
    """Round to so many decimals, never -0.0; None where there is none or it is not finite."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, decimals) + 0.0


def facts_to_json(facts: FileFacts) -> Json:
    """One file's facts by the contract's names; without sound, the sound's fields are null.

    Levels in dB with 4 decimals, ratios (DC, correlation) with 9. The waveform picture is left
    out. ``chunks`` lists what stands in the file's header, ``header_faults`` what is wrong there.
    """
    header, sound = facts.header, facts.sound
    kind = header.format
    return {
        "container": None if kind is None else kind.container,
        "encoding": None if kind is None else kind.encoding,
        "sample_rate_hz": None if kind is None else kind.sample_rate_hz,
        "channels": None if kind is None else kind.channels,
        "bit_depth": None if kind is None else kind.bit_depth,
        "container_bits": None if kind is None else kind.container_bits,
        "channel_mask": None if kind is None else kind.channel_mask,
        "frames": header.frames if sound is None else sound.frames,
        "declared_frames": header.declared_frames,
        "size_bytes": facts.size_bytes,
        "time_reference_samples": header.time_reference_samples,
        "header_faults": [_fault(fault) for fault in header.faults],
        "metadata": _metadata(header),
        **(_sound(sound) if sound is not None else dict.fromkeys(_SOUND_FIELDS)),
    }


def _sound(sound: Sound) -> Json:
    return {
        **_levels(sound.level),
        **_loudness(sound.loudness),
        "effective_bit_depth": sound.word.effective_bit_depth,
        "words_read_as": sound.word.reads_as,
        "clip_runs": _runs(sound.clipping.full_scale),
        "flat_tops": {
            **_runs(sound.clipping.flat_tops),
            "level_dbfs": rounded(sound.clipping.flat_top_dbfs),
        },
        "silence": _silence(sound.silence),
        "stereo": None if sound.stereo is None else _stereo(sound.stereo),
        "non_finite": dataclasses.asdict(sound.non_finite),
        "pauses": _pauses(sound.pauses),
        "bandwidth": {
            "ends_like_rate_hz": sound.bandwidth.ends_like_rate_hz,
            "drop_db": rounded(sound.bandwidth.drop_db),
        },
        **_transients(sound.transients),
    }


def _levels(level: LevelFacts) -> Json:
    return {
        **figure("sample_peak_dbfs", level.sample_peak_dbfs),
        "sample_peak_channel": level.sample_peak_channel,
        "sample_peak_sample": level.sample_peak_sample,
        **figure("true_peak_dbtp", level.true_peak_dbtp),
        "true_peak_filter": level.true_peak_filter,
        **_figures("channel_peaks_dbfs", level.channel_peaks_dbfs),
        **_figures("channel_rms_dbfs", level.channel_rms_dbfs),
        **figure("rms_dbfs", level.rms_dbfs),
        "crest_factor_db": rounded(level.crest_factor_db),
        "dc_offset": [rounded(value, RATIO_DECIMALS) for value in level.dc_offset],
        "samples_at_full_scale": level.samples_at_full_scale,
        "samples_over_full_scale": level.samples_over_full_scale,
    }


def _loudness(loudness: LoudnessFacts) -> Json:
    return {
        "loudness_lufs": rounded(loudness.loudness_lufs),
        "loudness_range_lu": rounded(loudness.loudness_range_lu),
        **figure("max_momentary_lufs", loudness.max_momentary_lufs),
        **figure("max_short_term_lufs", loudness.max_short_term_lufs),
        "is_loudness_range_meaningful": loudness.is_range_meaningful,
        "loudness_reason": loudness.reason,
    }


def figure(name: str, value: float | int | str | None) -> Json:
    """Write a figure beside the flag that tells an infinite one from one that is absent."""
    if not isinstance(value, float):
        return {name: value, f"is_{name}_infinite": False}
    return {name: rounded(value), f"is_{name}_infinite": math.isinf(value)}


def _figures(name: str, values: Sequence[float]) -> Json:
    return {
        name: [rounded(value) for value in values],
        f"is_{name}_infinite": [math.isinf(value) for value in values],
    }


def _runs(runs: Runs) -> Json:
    return {
        "count": runs.count,
        "samples": runs.samples,
        "longest": runs.longest,
        "runs": [list(run) for run in runs.runs],
        "is_capped": runs.is_capped,
    }


def _transients(found: TransientFacts) -> Json:
    return {
        "holes": _runs(found.holes),
        "regular_holes": _runs(found.regular_holes),
        "repeats": _runs(found.repeats),
        "clicks": {
            "count": found.click_count,
            "places": [_click(click) for click in found.clicks],
            "is_capped": found.click_count > len(found.clicks),
            "searched_share": rounded(found.searched_share, RATIO_DECIMALS),
        },
        "head": _edge(found.head),
        "tail": _edge(found.tail),
    }


def _click(click: ClickFacts) -> Json:
    return {
        "channel": click.channel,
        "start": click.start,
        "end": click.end,
        "height_db": rounded(click.height_db),
        "sigmas": rounded(click.sigmas, 1),
        "recurrences": click.recurrences,
    }


def _edge(edge: EdgeFacts) -> Json:
    return {
        "channel": edge.channel,
        **figure("level_dbfs", edge.level_dbfs),
        "is_abrupt": edge.is_abrupt,
    }


def _silence(silence: SilenceFacts) -> Json:
    return {
        **figure("threshold_dbfs", silence.threshold_dbfs),
        "leading_samples": silence.leading_samples,
        "trailing_samples": silence.trailing_samples,
        "stretches": [list(stretch) for stretch in silence.stretches],
        "is_digital_silence": silence.is_digital_silence,
        **figure("edge_threshold_dbfs", silence.edge_threshold_dbfs),
        "edge_leading_samples": silence.edge_leading_samples,
        "edge_trailing_samples": silence.edge_trailing_samples,
    }


def _stereo(stereo: StereoFacts) -> Json:
    return {
        "correlation": rounded(stereo.correlation, RATIO_DECIMALS),
        "is_identical": stereo.is_identical,
        **figure("difference_peak_dbfs", stereo.difference_peak_dbfs),
        **figure("mono_sum_change_db", stereo.mono_sum_change_db),
        "out_of_phase_share": rounded(stereo.out_of_phase_share),
        "lasting_correlation": rounded(stereo.lasting_correlation),
    }


def _pauses(pauses: PauseFacts) -> Json:
    hum = pauses.hum
    return {
        "noise_floor_dbfs": rounded(pauses.noise_floor_dbfs),
        "channel": pauses.channel,
        "range_db": rounded(pauses.range_db),
        "hum": None
        if hum is None
        else {
            "mains_hz": hum.mains_hz,
            "channel": hum.channel,
            "level_dbfs": rounded(hum.level_dbfs),
            "partials_hz": list(hum.partials_hz),
        },
    }


def _fault(fault: HeaderFault) -> Json:
    return dataclasses.asdict(fault)


def _metadata(header: Header) -> Json:
    """List what a file carries: bext, iXML, markers, LIST INFO and the chunks in file order."""
    return {
        "bext": None if header.bext is None else _bext(header.bext),
        "ixml": None if header.ixml is None else dataclasses.asdict(header.ixml),
        "cues": [dataclasses.asdict(cue) for cue in header.cues],
        "info": [list(pair) for pair in header.info],
        "chunks": [dataclasses.asdict(chunk) for chunk in header.chunks],
    }


def _bext(bext: Bext) -> Json:
    figures = ("loudness_lufs", "loudness_range_lu", "max_true_peak_dbtp")
    windows = ("max_momentary_lufs", "max_short_term_lufs")
    return {
        **dataclasses.asdict(bext),
        "umid": bext.umid.hex(),
        **{name: rounded(getattr(bext, name)) for name in (*figures, *windows)},
    }


_SOUND_FIELDS = (
    "sample_peak_dbfs",
    "is_sample_peak_dbfs_infinite",
    "sample_peak_channel",
    "sample_peak_sample",
    "true_peak_dbtp",
    "is_true_peak_dbtp_infinite",
    "true_peak_filter",
    "channel_peaks_dbfs",
    "is_channel_peaks_dbfs_infinite",
    "channel_rms_dbfs",
    "is_channel_rms_dbfs_infinite",
    "rms_dbfs",
    "is_rms_dbfs_infinite",
    "crest_factor_db",
    "dc_offset",
    "samples_at_full_scale",
    "samples_over_full_scale",
    "loudness_lufs",
    "loudness_range_lu",
    "max_momentary_lufs",
    "is_max_momentary_lufs_infinite",
    "max_short_term_lufs",
    "is_max_short_term_lufs_infinite",
    "is_loudness_range_meaningful",
    "loudness_reason",
    "effective_bit_depth",
    "words_read_as",
    "clip_runs",
    "flat_tops",
    "silence",
    "stereo",
    "non_finite",
    "pauses",
    "bandwidth",
    "holes",
    "regular_holes",
    "repeats",
    "clicks",
    "head",
    "tail",
)
"""The fields that need sound; null for a file that could not be decoded (a test holds the list)."""
