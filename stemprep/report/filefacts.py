"""The facts of one file that a mixer asks for, as label and words."""

from __future__ import annotations

from stemprep.model.facts import PauseFacts, Runs, Sound
from stemprep.model.session import MeasuredFile
from stemprep.report import figures
from stemprep.report.summary import rate_of

_WIDENED_BITS = 4  # fewer unused bits come from a fade or a quiet converter
_TURNED_DOWN_DBFS = -0.1  # nearer to full scale nothing was turned down afterwards
_MANY_FLAT_TOPS = 3  # as the check `clipping` counts them


def file_facts(file: MeasuredFile) -> tuple[tuple[str, str], ...]:
    """Format, length and start first, then levels; what could not be measured says so."""
    rate_hz, header, sound = rate_of(file), file.facts.header, file.facts.sound
    lines = [
        ("Role", f"{file.role} ({file.source.role_evidence})"),
        ("Format", figures.format_words(file.facts.format)),
        (
            "Length",
            f"{_length(file)} ({figures.plural(header.frames, 'sample')})"
            if header.frames
            else _length(file),
        ),
        ("Start", figures.start(header.time_reference_samples, rate_hz)),
        ("Size", figures.size(file.facts.size_bytes)),
    ]
    if sound is None:
        faults = "; ".join(fault.message for fault in header.faults)
        return (*lines, ("Sound", f"could not be decoded. {faults}".strip()))
    been_through = past_of(file)
    past = (("Been through", "; ".join(been_through)),) if been_through else ()
    return (*lines, *_levels(sound), *_rest(sound, rate_hz), *past)


def past_of(file: MeasuredFile) -> tuple[str, ...]:
    """What a file went through before it came here, each with its evidence; nothing proves none."""
    sound, form = file.facts.sound, file.facts.format
    if sound is None or form is None:
        return ()
    facts_in_words: list[str] = []
    trace, used = sound.codec_trace, sound.word.effective_bit_depth
    if trace is not None:
        facts_in_words.append(
            f"{trace.family} ({trace.zero_share:.0%} of its coefficients near zero, "
            f"{trace.typical_share:.0%} by chance)"
        )
    ends_hz, drop_db = sound.bandwidth.ends_like_rate_hz, sound.bandwidth.drop_db
    if ends_hz is not None and drop_db is not None and trace is None:
        edge = figures.rate(ends_hz // 2)
        facts_in_words.append(f"{_rate(ends_hz)} (falls by {drop_db:.0f} dB at {edge})")
    if used and form.encoding == "integer" and form.container_bits - used >= _WIDENED_BITS:
        facts_in_words.append(f"words of {used} bits (all lower ones are 0 in every sample)")
    tops, top_dbfs = sound.clipping.flat_tops, sound.clipping.flat_top_dbfs
    if tops.count >= _MANY_FLAT_TOPS and top_dbfs is not None and top_dbfs < _TURNED_DOWN_DBFS:
        level = figures.level(top_dbfs, "dBFS")
        facts_in_words.append(
            f"a clip or limiter, then another level ({figures.plural(tops.count, 'flat top')} at "
            f"{level})"
        )
    return tuple(facts_in_words)


def _length(file: MeasuredFile) -> str:
    """Its length; not known where nothing was decoded and no header says one."""
    frames = file.facts.header.frames
    if not frames and file.facts.sound is None:
        return figures.UNKNOWN
    return figures.length(frames, rate_of(file))


def brief_facts(file: MeasuredFile) -> tuple[str, str, str]:
    """Length, true peak and loudness, for a line of the list of files."""
    words = _length(file)
    sound = file.facts.sound
    if sound is None:
        return words, figures.UNKNOWN, figures.UNKNOWN
    peak = figures.level(sound.level.true_peak_dbtp, "dBTP")
    return words, peak, figures.level(sound.loudness.loudness_lufs, "LUFS")


def _levels(sound: Sound) -> tuple[tuple[str, str], ...]:
    loud, level = sound.loudness, sound.level
    integrated = figures.level(loud.loudness_lufs, "LUFS")
    return (
        ("Sample peak", figures.level(level.sample_peak_dbfs, "dBFS")),
        ("True peak", figures.true_peak(level.true_peak_dbtp, level.true_peak_filter)),
        ("Loudness", f"{integrated} ({loud.reason})" if loud.reason else integrated),
        ("Loudness range", _range(sound)),
        ("Short-term max", figures.level(loud.max_short_term_lufs, "LUFS")),
        ("RMS", f"{figures.level(level.rms_dbfs, 'dBFS')} (full-scale sine -3.0)"),
    )


def _range(sound: Sound) -> str:
    words = figures.extent(sound.loudness.loudness_range_lu, "LU")
    is_doubtful = sound.loudness.loudness_range_lu is not None
    if is_doubtful and not sound.loudness.is_range_meaningful:
        return f"{words} (under 60 s: little meaning)"
    return words


def _rest(sound: Sound, rate_hz: int | None) -> tuple[tuple[str, str], ...]:
    silence = sound.silence
    lines = [
        ("Full-scale runs", _runs(sound.clipping.full_scale)),
        ("Silence before", figures.length(silence.leading_samples, rate_hz)),
        ("Silence after", figures.length(silence.trailing_samples, rate_hz)),
    ]
    if sound.stereo is not None and sound.stereo.correlation is not None:
        lines.append(("L/R correlation", f"{sound.stereo.correlation:+.2f}"))
        if sound.stereo.mono_sum_change_db is not None:
            change = figures.level(sound.stereo.mono_sum_change_db, "dB")
            lines.append(("Level in the mono sum", f"{change} (unrelated sides -3.0)"))
    if sound.word.effective_bit_depth is not None:
        lines.append(("Bits in use", str(sound.word.effective_bit_depth)))
    if sound.bandwidth.ends_like_rate_hz is not None:
        ends_hz = sound.bandwidth.ends_like_rate_hz
        lines.append(("Spectrum ends at", f"{figures.rate(ends_hz // 2)}, as at {_rate(ends_hz)}"))
    return (*lines, *_pauses(sound.pauses))


def _rate(hz: int) -> str:
    return f"a sample rate of {figures.rate(hz)}"


def _pauses(pauses: PauseFacts) -> tuple[tuple[str, str], ...]:
    """Nothing for sound without pauses, where nothing can be told of noise or hum."""
    if pauses.noise_floor_dbfs is None:
        return ()
    lines = [("Noise in the pauses", f"{figures.level(pauses.noise_floor_dbfs, 'dBFS')} RMS")]
    if pauses.hum is not None:
        partials = figures.and_list([str(hz) for hz in pauses.hum.partials_hz])
        words = f"{figures.level(pauses.hum.level_dbfs, 'dBFS')} RMS, at {partials} Hz"
        lines.append(("Mains hum", words))
    return tuple(lines)


def _runs(runs: Runs) -> str:
    if not runs.count:
        return "none"
    return f"{runs.count}, longest {figures.plural(runs.longest, 'sample')}"
