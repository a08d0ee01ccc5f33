"""What the plan promises is what rendering gives, for any session and any spec."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import SessionSheet, SongNote, TrackNote, WorkOrder
from stemprep.model.words import OperationName
from stemprep.units import convert_samples
from tests import signals
from tests.prepare.planning import (
    carried_out,
    names_of,
    planned,
    samples_of,
    session,
    sounding,
    spec,
)
from tests.prepare.rendering import form

RATES = [44_100, 48_000, 96_000]
HOUR_S = 3600


@st.composite
def files(draw: Any, index: int) -> MeasuredFile:
    """A file with a burst somewhere, of any format, perhaps stamped, perhaps with work ordered."""
    rate_hz = draw(st.sampled_from(RATES))
    frames = draw(st.integers(2000, 5000))
    channels = draw(st.sampled_from([1, 2]))
    bits, is_float = draw(st.sampled_from([(16, False), (24, False), (32, False), (32, True)]))
    samples = np.zeros((channels, frames))
    start = draw(st.integers(0, 1000))
    burst = signals.noise(peak_dbfs=-12, seconds=600 / 48_000, channels=channels, seed=index + 1)
    samples[:, start : start + 600] = burst
    if is_float:
        samples = samples.astype(np.float32).astype(np.float64)
    order = WorkOrder(
        invert_polarity=draw(st.booleans()),
        move_samples=draw(st.none() | st.integers(-900, 900)),
        gain_db=draw(st.none() | st.floats(-6, 6)),
        remove_dc=draw(st.booleans()),
    )
    stamp = draw(st.none() | st.integers(0, 900))
    return sounding(
        f"f{index}.wav",
        samples,
        role=draw(st.sampled_from(["track", "stem", "mix", "click", "listening-reference"])),
        file_form=form(bits, rate_hz=rate_hz, channels=channels, is_float=is_float),
        start=None if stamp is None else HOUR_S * rate_hz + stamp,
        note=TrackNote(pattern=f"f{index}.wav", order=order),
    )


ALLOWED: tuple[OperationName, ...] = ("convert-rate", "convert-word-length", "rewrap", "rename")


@settings(max_examples=40, deadline=None)
@given(
    drop=st.tuples(files(0), files(1), files(2)),
    is_common_start=st.booleans(),
    is_equal_length=st.booleans(),
    is_trimmed=st.booleans(),
    song_gain_db=st.sampled_from([None, -3.0]),
    allowed=st.sampled_from([(), ALLOWED]),
)
def test_any_plan_can_be_carried_out(
    drop: tuple[MeasuredFile, ...],
    is_common_start: bool,
    is_equal_length: bool,
    is_trimmed: bool,
    song_gain_db: float | None,
    allowed: tuple[OperationName, ...],
) -> None:
    used = spec(
        "overdub",
        allowed=allowed,
        is_common_start=is_common_start,
        is_equal_length=is_equal_length,
        is_trimmed=is_trimmed,
        trim_head_s=0.001,
        trim_tail_s=0.001,
    )
    sheet = SessionSheet(songs=(SongNote(title="Song", gain_db=song_gain_db),))
    measured = session(*drop, sheet=sheet)
    plan = planned(measured, used)
    assert len(plan.outputs) == len(drop)
    for out in plan.outputs:
        assert out.format is not None
        if out.is_copy or "copy-audio" in names_of(out):
            assert len(out.operations) == 1
            continue
        result = carried_out(out, measured)
        assert result.shape == (out.format.channels, out.frames)
        assert out.bext is None or out.bext.time_reference_samples >= 0


@settings(max_examples=25, deadline=None)
@given(
    starts=st.lists(st.integers(0, 3000), min_size=3, max_size=3),
    lengths=st.lists(st.integers(4000, 9000), min_size=3, max_size=3, unique=True),
    is_trimmed=st.booleans(),
)
def test_relative_positions_are_kept_to_the_sample(
    starts: list[int], lengths: list[int], is_trimmed: bool
) -> None:
    """Where each file's burst stands on the timeline is the same before and after."""
    drop = []
    for index, (start, length) in enumerate(zip(starts, lengths, strict=True)):
        samples = np.zeros((1, length))
        samples[0, 1500 + 10 * index] = 0.5
        drop.append(sounding(f"f{index}.wav", samples, start=HOUR_S * 48_000 + start))
    measured = session(*drop)
    used = spec("overdub", is_trimmed=is_trimmed, trim_head_s=0.001, trim_tail_s=0.001)
    plan = planned(measured, used)
    assert len({out.frames for out in plan.outputs}) == 1
    for out, file, start in zip(plan.outputs, drop, starts, strict=True):
        is_untouched = names_of(out) == ["copy-audio"]
        result = samples_of(file) if is_untouched else carried_out(out, measured)
        reference = HOUR_S * 48_000 + start if out.bext is None else out.bext.time_reference_samples
        before = HOUR_S * 48_000 + start + int(samples_of(file)[0].argmax())
        assert reference + int(result[0].argmax()) == before
        assert plan.start_samples == {"": reference}


def test_positions_across_rates_agree_within_half_a_sample() -> None:
    """EBU Tech 3285: the time reference counts at the file's own rate, so it is rescaled."""
    long = sounding("a.wav", np.zeros((1, 48_000)) + 0.1, start=HOUR_S * 48_000)
    odd_start = HOUR_S * 44_100 + 12_345
    samples = np.zeros((1, 20_000))
    samples[0, 9_000] = 0.5
    odd = sounding("b.wav", samples, file_form=form(24, rate_hz=44_100), start=odd_start)
    measured = session(long, odd)
    out = next(o for o in planned(measured, spec("overdub")).outputs if o.sources == ("b.wav",))
    assert out.bext is not None
    at = out.bext.time_reference_samples + int(carried_out(out, measured)[0].argmax())
    exact = Fraction(odd_start + 9_000, 44_100) * 48_000
    assert abs(at - exact) <= 1
    assert convert_samples(odd_start, 44_100, 48_000) == round(Fraction(odd_start, 44_100) * 48_000)


def test_a_listening_reference_is_carried_untouched() -> None:
    loud = sounding(
        "loud.wav",
        signals.noise(peak_dbfs=0, seconds=0.2, rate_hz=44_100),
        role="listening-reference",
        file_form=form(16, rate_hz=44_100),
    )
    plan = planned(session(sounding("a.wav"), loud), spec("overdub"))
    assert names_of(plan.outputs[0]) == ["copy"]
    assert plan.outputs[0].path == "references/loud.wav"


def test_no_gain_for_any_where_one_cannot_have_it() -> None:
    lossy = replace(form(16), container="MP3", encoding="lossy")
    drop = [
        sounding("stem.wav", role="stem"),
        sounding("mix.wav", role="mix"),
        sounding("other.mp3", role="stem", file_form=lossy),
    ]
    sheet = SessionSheet(songs=(SongNote(title="Song", gain_db=-3.0),))
    plan = planned(session(*drop, sheet=sheet), spec("mastering"))
    assert all(out.is_copy for out in plan.outputs)
    assert "No file gets the ordered gain of -3.0 dB: other.mp3" in plan.notes[0]
