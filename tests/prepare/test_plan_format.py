"""Rate and word length, level over full scale, container size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import SessionSheet, SongNote
from tests import signals
from tests.prepare.planning import (
    carried_out,
    names_of,
    output_of,
    planned,
    samples_of,
    session,
    sounding,
    spec,
)
from tests.prepare.rendering import form


def beat(
    path: str, frames: int, rate_hz: int, bits: int = 24, *, is_float: bool = False
) -> MeasuredFile:
    samples = signals.pluck(peak_dbfs=-6, seconds=frames / rate_hz, rate_hz=rate_hz)
    assert samples.shape[1] == frames
    return sounding(path, samples, file_form=form(bits, rate_hz=rate_hz, is_float=is_float))


MIXED = [
    ("a_48k_24.wav", 48_000, 48_000, 24, False),
    ("b_441_24.wav", 44_100, 44_100, 24, False),
    ("c_48k_16.wav", 48_000, 48_000, 16, False),
    ("d_48k_float.wav", 48_000, 48_000, 32, True),
    ("e_96k_24.wav", 96_000, 96_000, 24, False),
    ("f_441_odd.wav", 44_102, 44_100, 24, False),
]


def test_mixed_formats_for_overdub() -> None:
    """Exact lengths after conversion; 16 bits widen exactly; float is dithered once."""
    files = [beat(path, n, rate, bits, is_float=f) for path, n, rate, bits, f in MIXED]
    measured = session(*files)
    plan = planned(measured, spec("overdub", is_equal_length=False))
    expected = {
        "a_48k_24.wav": (["copy-audio"], 48_000),
        "b_441_24.wav": (["convert-rate", "convert-word-length"], 48_000),
        "c_48k_16.wav": (["convert-word-length"], 48_000),
        "d_48k_float.wav": (["convert-word-length"], 48_000),
        "e_96k_24.wav": (["convert-rate", "convert-word-length"], 48_000),
        "f_441_odd.wav": (["convert-rate", "convert-word-length"], 48_003),
    }
    for path, (operations, frames) in expected.items():
        out = output_of(plan, path)
        assert (names_of(out), out.frames) == (operations, frames)
        assert out.format == form(24)
        if "copy-audio" not in operations:
            assert carried_out(out, measured).shape == (1, frames)
    widened = output_of(plan, "c_48k_16.wav")
    assert widened.operations[0].parameters["dither"] == "none"
    assert np.array_equal(carried_out(widened, measured), samples_of(files[2]))
    assert output_of(plan, "d_48k_float.wav").operations[0].parameters["dither"] == "tpdf"
    assert "3 of 6 files" in output_of(plan, "b_441_24.wav").operations[0].evidence


def test_equal_length_pads_to_the_longest() -> None:
    files = [beat(path, n, rate, bits, is_float=f) for path, n, rate, bits, f in MIXED]
    plan = planned(session(*files), spec("overdub"))
    assert {out.frames for out in plan.outputs} == {48_003}
    for out in plan.outputs:
        assert ("pad" in names_of(out)) == (out.sources != ("f_441_odd.wav",))
        if "copy-audio" not in names_of(out):
            assert carried_out(out, session(*files)).shape == (1, 48_003)


def test_a_label_in_doubt_is_converted_by_nobody() -> None:
    """48 kHz of sound under the label 44.1 kHz: the check advises never to convert it."""
    files = [
        *(beat(f"{name}.wav", 48_000, 48_000) for name in "abc"),
        beat("labelled wrong.wav", 48_000, 44_100),
    ]
    doubt = Finding(
        check="wrong-rate-label", severity="warn", file=files[-1].path, message="", advice=""
    )
    plan = planned(session(*files), spec("overdub"), findings=[doubt])
    out = output_of(plan, "labelled wrong.wav")
    assert "convert-rate" not in names_of(out)
    assert out.format == form(24, rate_hz=44_100)


def test_mastering_changes_no_format() -> None:
    files = [beat(path, n, rate, bits, is_float=f) for path, n, rate, bits, f in MIXED]
    plan = planned(session(*files), spec("mastering"))
    assert all(out.is_copy for out in plan.outputs)


def narrow(bits: int, **target: object):  # type: ignore[no-untyped-def]
    used = spec("mastering", allowed=("convert-word-length",))
    return replace(used, target=replace(used.target, bit_depth=bits, **target))


@pytest.mark.parametrize(
    ("bits", "used_bits", "to_bits", "dither"),
    [(24, 24, 16, "tpdf"), (24, 16, 16, "none"), (16, 16, 24, "none"), (32, 32, 24, "tpdf")],
)
def test_dither_only_where_sound_would_be_lost(
    bits: int, used_bits: int, to_bits: int, dither: str
) -> None:
    step = 2.0 ** (used_bits - 1)
    samples = np.round(signals.noise(peak_dbfs=-6, seconds=0.2) * step) / step
    measured = session(sounding("a.wav", samples, file_form=form(bits)))
    out = planned(measured, narrow(to_bits)).outputs[0]
    assert names_of(out) == ["convert-word-length"]
    assert out.operations[0].parameters["dither"] == dither
    result = carried_out(out, measured)
    assert np.array_equal(result, samples_of(measured.files[0])) == (dither == "none")
    assert np.abs(result - samples).max() <= 1.5 * 2.0 ** (1 - to_bits)


def test_float_stays_float_unless_told_otherwise() -> None:
    loud = signals.noise(peak_dbfs=3.2, seconds=0.2)
    measured = session(sounding("a.wav", loud, file_form=form(32, is_float=True)))
    assert planned(measured, narrow(24)).outputs[0].is_copy
    plan = planned(measured, narrow(24, is_float_kept=False))
    blocker = only(plan.blockers)
    assert (blocker.check, blocker.severity, blocker.files) == ("sample-peak", "fail", ("a.wav",))
    assert "+3.2 dBFS" in blocker.message
    assert "-3.3 dB" in blocker.advice


def only(blockers: tuple[Finding, ...]) -> Finding:
    assert len(blockers) == 1
    return blockers[0]


def test_the_gain_needed_is_that_of_the_loudest_of_the_song() -> None:
    floating = form(32, is_float=True)
    files = [
        sounding(
            "mix.wav", signals.noise(peak_dbfs=5, seconds=0.2), role="mix", file_form=floating
        ),
        sounding(
            "stem.wav", signals.noise(peak_dbfs=1, seconds=0.2), role="stem", file_form=floating
        ),
    ]
    plan = planned(session(*files), narrow(24, is_float_kept=False))
    assert len(plan.blockers) == 2
    assert all("-5.1 dB for the song" in blocker.advice for blocker in plan.blockers)
    sheet = SessionSheet(songs=(SongNote(title="Song", gain_db=-5.1),))
    measured = session(*files, sheet=sheet)
    cured = planned(measured, narrow(24, is_float_kept=False))
    assert cured.blockers == ()
    for out in cured.outputs:
        assert np.abs(carried_out(out, measured)).max() < 1


def test_peaks_that_a_conversion_would_lift_over_full_scale_are_caught() -> None:
    """A sine at fs/4, 45 degrees, full scale at its samples reads +3.01 dBTP (handbook)."""
    tone = signals.sine(11_025, peak_dbfs=3.0, seconds=0.3, rate_hz=44_100, phase_degrees=45)
    hot = sounding("hot.wav", tone, file_form=form(24, rate_hz=44_100))
    plan = planned(session(hot), spec("overdub"))
    blocker = only(plan.blockers)
    assert blocker.check == "true-peak"
    assert blocker.found == pytest.approx(3.0, abs=0.1)


def test_over_four_gigabytes_becomes_rf64() -> None:
    file = beat("long.wav", 4800, 44_100)
    assert file.facts.sound is not None
    frames = 1_500_000_000
    long = replace(
        file,
        facts=replace(
            file.facts,
            sound=replace(file.facts.sound, frames=frames),
            header=replace(file.facts.header, frames=frames),
        ),
    )
    out = planned(session(long), spec("overdub")).outputs[0]
    assert out.format is not None
    assert out.format.container == "RF64"
    assert names_of(out)[-1] == "rewrap"
