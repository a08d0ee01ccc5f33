"""Common start, ordered moves, trim and length; the time reference follows (EBU Tech 3285)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stemprep.model.header import Bext
from stemprep.model.sheet import TrackNote, WorkOrder
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

HOUR = 172_800_000  # samples at 48 kHz since midnight: one o'clock


def tone(
    seconds: float, *, before: float = 0.0, after: float = 0.0, rate_hz: int = 48_000
) -> np.ndarray:
    sound = signals.sine(440, peak_dbfs=-6, seconds=seconds, rate_hz=rate_hz)
    pads = (round(before * rate_hz), round(after * rate_hz))
    return np.pad(sound, ((0, 0), pads))


def test_files_are_placed_by_their_time_references() -> None:
    long = sounding("long.wav", tone(2.0), start=HOUR)
    late = sounding("late.wav", tone(0.5), start=HOUR + 30_001)
    measured = session(long, late)
    plan = planned(measured, spec("overdub"))
    out = output_of(plan, "late.wav")
    assert names_of(out) == ["place", "pad"]
    assert out.operations[0].parameters == {"head_samples": 30_001}
    assert "long.wav" in out.operations[0].evidence
    assert out.bext is not None
    assert out.bext.time_reference_samples == HOUR
    result = carried_out(out, measured)
    assert result.shape == (1, 96_000)
    assert not result[:, :30_001].any()
    assert np.array_equal(result[:, 30_001:54_001], samples_of(late))
    assert plan.start_samples == {"": HOUR}
    assert names_of(output_of(plan, "long.wav")) == ["copy-audio"]


def test_another_rate_is_placed_after_conversion() -> None:
    long = sounding("long.wav", tone(2.0), start=HOUR)
    odd = sounding(
        "odd.wav",
        tone(1.0, rate_hz=44_100),
        file_form=form(24, rate_hz=44_100),
        start=158_760_000 + 44_100 // 2,
    )
    measured = session(long, odd)
    out = output_of(planned(measured, spec("overdub")), "odd.wav")
    assert names_of(out) == ["convert-rate", "place", "pad", "convert-word-length"]
    assert out.operations[1].parameters == {"head_samples": 24_000}
    assert out.bext is not None
    assert out.bext.time_reference_samples == HOUR
    result = carried_out(out, measured)
    assert result.shape == (1, 96_000)
    assert np.abs(result[:, :24_000]).max() == 0
    expected = signals.sine(440, peak_dbfs=-6, seconds=1.0)[0, 1000:-1000]
    assert np.abs(result[0, 25_000:71_000] - expected).max() < 1e-6


def test_equally_long_files_that_disagree_do_not_move() -> None:
    files = [
        sounding("a.wav", tone(1.0), start=HOUR),
        sounding("b.wav", tone(1.0), start=HOUR + 480),
    ]
    plan = planned(session(*files), spec("overdub"))
    assert all(names_of(out) == ["copy-audio"] for out in plan.outputs)
    assert "Nothing was moved" in plan.notes[0]
    assert "01:00:00.000 and 01:00:00.010" in plan.notes[0]
    assert plan.start_samples == {"": None}


@pytest.mark.parametrize(("move", "head"), [(0, 480), (100, 580), (-480, 0)])
def test_an_ordered_move_settles_it(move: int, head: int) -> None:
    note = TrackNote(pattern="b.wav", order=WorkOrder(move_samples=move))
    files = [
        sounding("a.wav", tone(1.0), start=HOUR),
        sounding("b.wav", tone(1.0, after=0.01), start=HOUR + 480, note=note),
    ]
    measured = session(*files)
    out = output_of(planned(measured, spec("overdub", is_equal_length=False)), "b.wav")
    places = [step for step in out.operations if step.name == "place"]
    assert sum(int(step.parameters["head_samples"] or 0) for step in places) == head
    assert len(places) == (0 if not head else 1 + bool(move)), "what was ordered is its own step"
    if places:
        result = carried_out(out, measured)
        assert not result[:, :head].any()
        assert np.array_equal(result[:, head : head + 48_000], samples_of(files[1])[:, :48_000])


def test_a_move_keeps_the_files_end_and_never_cuts_sound_unfaded() -> None:
    later = TrackNote(pattern="x", order=WorkOrder(move_samples=100))
    earlier = TrackNote(pattern="x", order=WorkOrder(move_samples=-100))
    files = [
        sounding("later.wav", tone(0.5, after=0.1), note=later),
        sounding("full.wav", tone(0.5), note=later),
        sounding("earlier.wav", tone(0.5, before=0.1), note=earlier),
        sounding("cut.wav", tone(0.5), note=earlier),
    ]
    measured = session(*files)
    plan = planned(measured, spec("mastering"))
    expected = {
        "later.wav": (["place", "trim"], 28_800),
        "full.wav": (["place"], 24_100),
        "earlier.wav": (["place", "pad"], 28_800),
        "cut.wav": (["place", "edge-fade", "pad", "convert-word-length"], 24_000),
    }
    for path, (operations, frames) in expected.items():
        out = output_of(plan, path)
        assert (names_of(out), out.frames) == (operations, frames)
        assert carried_out(out, measured).shape == (1, frames)
    faded = carried_out(output_of(plan, "cut.wav"), measured)
    assert np.abs(faded[0, :24]).max() < 0.05


@pytest.mark.parametrize("move", [480, -480])
def test_what_is_placed_from_the_start_does_not_ask_its_time_reference(move: int) -> None:
    """Its own lies hours away and would keep everything from being placed."""
    order = WorkOrder(move_samples=move, move_reason="as ordered", is_from_start=True)
    files = [
        sounding("a.wav", tone(1.0), start=HOUR),
        sounding("b.wav", tone(0.5), start=HOUR + 960),
        sounding(
            "far.wav",
            tone(0.5, before=0.02),
            start=5 * HOUR,
            note=TrackNote(pattern="far.wav", order=order),
        ),
    ]
    measured = session(*files)
    plan = planned(measured, spec("overdub", is_equal_length=False))
    out = output_of(plan, "far.wav")
    assert [step.parameters["head_samples"] for step in out.operations if step.name == "place"] == [
        move
    ]
    assert out.bext is not None
    assert out.bext.time_reference_samples == HOUR
    assert [step.name for step in output_of(plan, "b.wav").operations if step.name == "place"]


def test_a_move_that_would_leave_nothing_is_refused() -> None:
    note = TrackNote(pattern="a.wav", order=WorkOrder(move_samples=-24_000))
    plan = planned(session(sounding("a.wav", tone(0.5), note=note)), spec("mastering"))
    assert plan.outputs[0].is_copy
    assert "nothing is left of it" in plan.notes[0]


def test_a_longer_click_does_not_stretch_the_song() -> None:
    files = [sounding("a.wav", tone(1.0)), sounding("b.wav", tone(0.9))]
    click = sounding("click.wav", tone(3.0), role="click")
    plan = planned(session(*files, click), spec("overdub"))
    assert {out.frames for out in plan.outputs} == {48_000, 144_000}


def test_a_file_stamped_outside_the_song_stops_the_placing() -> None:
    files = [
        sounding("a.wav", tone(1.0), start=HOUR),
        sounding("b.wav", tone(0.7), start=2 * HOUR),
    ]
    plan = planned(session(*files), spec("overdub"))
    assert all(names_of(out) == ["copy-audio"] for out in plan.outputs)
    assert "after all earlier files have ended" in plan.notes[0]


def test_files_without_time_reference_stay_and_are_named() -> None:
    """Zero beside an hour says nothing; no bext with a false zero is written for such a file."""
    files = [
        sounding("a.wav", tone(2.0), start=HOUR),
        sounding("b.wav", tone(0.7), start=HOUR + 480),
        sounding("none.wav", tone(0.6)),
        sounding("zero.wav", tone(0.9), start=0),
    ]
    plan = planned(session(*files), spec("overdub"))
    assert "none.wav, zero.wav" in plan.notes[0]
    out = output_of(plan, "none.wav")
    assert names_of(out) == ["pad"]
    assert out.bext is None


def test_trim_leaves_head_and_tail_and_relative_positions() -> None:
    """Cut only what is silent in every file; 1 s stays before the sound, 2 s after it."""
    files = [
        sounding("a.wav", tone(1.0, before=5.0, after=6.0), start=HOUR),
        sounding("b.wav", tone(1.0, before=6.5, after=4.5), start=HOUR),
        sounding("silent.wav", np.zeros((1, 576_000)), start=HOUR),
    ]
    measured = session(*files)
    plan = planned(measured, spec("mastering", is_trimmed=True))
    for file in files:
        out = output_of(plan, file.path)
        assert names_of(out) == ["trim"]
        (step,) = out.operations
        head, tail = step.parameters["head_samples"], step.parameters["tail_samples"]
        assert head == pytest.approx(4.0 * 48_000, abs=2)
        assert tail == pytest.approx(2.5 * 48_000, abs=8)  # a sine fades below the threshold early
        assert out.bext is not None
        assert out.bext.time_reference_samples == HOUR + head
        kept = samples_of(file)[:, head : 576_000 - tail]
        assert np.array_equal(carried_out(out, measured), kept)
        assert not samples_of(file)[:, :head].any()
    assert plan.start_samples == {"": HOUR + head}


def test_trim_that_cannot_be_sure_is_not_done() -> None:
    a, b = (sounding(name, tone(1.0, before=5.0), start=HOUR) for name in ("a.wav", "b.wav"))
    lossy = sounding(
        "c.mp3", tone(1.0), file_form=replace(form(16), container="MP3", encoding="lossy")
    )
    trimmed = spec("mastering", is_trimmed=True)
    for files, words in [
        ([a, lossy], "can only be copied"),
        ([a, sounding("c.wav", tone(2.0), start=HOUR + 9)], "do not begin together"),
    ]:
        plan = planned(session(*files), trimmed)
        assert all(out.is_copy for out in plan.outputs)
        assert words in plan.notes[0]
    strict = spec("mastering", is_trimmed=True, trim_threshold_dbfs=-90.0)
    assert "silence was measured below -80.0 dBFS" in planned(session(a, b), strict).notes[0]


def test_broadcast_extension_after_work() -> None:
    """EBU Tech 3285: stale loudness is unused, the rest stays; EBU R 98: one line an operation."""
    bext = Bext(
        description="take 3",
        originator="a desk",
        originator_reference="X1",
        origination_date="2031-05-06",
        origination_time="07:08:09",
        umid=b"\1" * 64,
        loudness_lufs=-20.0,
        max_true_peak_dbtp=-1.0,
        coding_history="A=PCM,F=48000,W=24,M=mono,T=first",
    )
    files = [
        sounding("a.wav", tone(2.0), start=HOUR),
        sounding("b.wav", tone(0.5), start=HOUR + 9, bext=bext),
    ]
    out = output_of(planned(session(*files), spec("overdub")), "b.wav")
    assert out.bext == replace(
        bext,
        time_reference_samples=HOUR,
        umid=bytes(64),
        loudness_lufs=None,
        max_true_peak_dbtp=None,
        coding_history=(
            "A=PCM,F=48000,W=24,M=mono,T=first\r\n"
            "A=PCM,F=48000,W=24,M=mono,T=stemprep place head_samples=9\r\n"
            "A=PCM,F=48000,W=24,M=mono,T=stemprep pad head_samples=0 tail_samples=71991\r\n"
        ),
    )
