"""Files that begin at bar 1 less the count-in, or earlier by whole bars where sound exists."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from stemprep.model.plan import Plan, StartReference
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import BarOne, Section, SessionSheet, SongNote, TempoMark
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

RATE_HZ = 48_000
HOUR = 3600 * RATE_HZ
BAR = 2 * RATE_HZ  # 4/4 at 120
TEMPO = (TempoMark(bar=1, tempo_bpm=120, meter="4/4"),)


def take(silent: int, *, rate_hz: int = RATE_HZ, seconds: float = 8.0) -> np.ndarray:
    """Sound after so many silent samples; a cosine, so that its first sample is its loudest."""
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.pad(0.5 * np.cos(2 * np.pi * 440 * time)[None, :], ((0, 0), (silent, 0)))


def sheet(bar_1: BarOne | None, **song: Any) -> SessionSheet:
    note = SongNote(title="A", bar_1=bar_1, **({"tempo_map": TEMPO} | song))
    return SessionSheet(songs=(note,))


def plan_of(*files: MeasuredFile, said: SessionSheet, name: str = "overdub", **ops: Any) -> Plan:
    return planned(session(*files, sheet=said), spec(name, **ops))


def reference_of(plan: Plan) -> StartReference:
    return plan.references[""]


def test_the_head_is_cut_to_the_count_in() -> None:
    """Silence of 5 bars, bar 1 after 4 of them, two bars ordered: two bars of silence go."""
    kick, voice = sounding("kick.wav", take(4 * BAR)), sounding("voice.wav", take(5 * BAR))
    measured = session(kick, voice, sheet=sheet(BarOne(samples=4 * BAR), count_in_bars=2))
    plan = planned(measured, spec("overdub"))
    for file in (kick, voice):
        output = output_of(plan, file.path)
        made = carried_out(output, measured)
        assert output.operations[0].parameters == {"head_samples": 2 * BAR, "tail_samples": 0}
        kept = samples_of(file)[:, 2 * BAR :]
        assert np.array_equal(made[:, : kept.shape[1]], kept)
        assert not made[:, kept.shape[1] :].any()
    assert reference_of(plan) == StartReference(
        rate_hz=RATE_HZ, bar_1_samples=2 * BAR, start_bar="-1.1", is_on_bar_line=True
    )
    assert "2 bars before bar 1, at bar -1; bar 1 is sample 192,000" in " ".join(plan.notes)


def test_silence_is_put_in_front_where_the_files_begin_too_late() -> None:
    """By timecode at 25 frames: files from 01:00:00:00 on, bar 1 four seconds later, 3 bars."""
    kick = sounding("kick.wav", take(0), start=HOUR)
    said = sheet(BarOne(timecode="01:00:04:00", frame_rate="25"), count_in_bars=3)
    measured = session(kick, sheet=said)
    plan = planned(measured, spec("overdub"))
    output = output_of(plan, "kick.wav")
    made = carried_out(output, measured)
    assert np.array_equal(made[:, BAR:], samples_of(kick))
    assert not made[:, :BAR].any()
    assert output.bext is not None
    assert output.bext.time_reference_samples == HOUR - BAR
    assert plan.start_samples == {"": HOUR - BAR}
    assert reference_of(plan) == StartReference(
        rate_hz=RATE_HZ, bar_1_samples=3 * BAR, start_samples=HOUR - BAR, start_bar="-2.1",
        is_on_bar_line=True, start_timecode="00:59:58:00", bar_1_timecode="01:00:04:00",
        frame_rate="25",
    )  # fmt: skip


@pytest.mark.parametrize("pick_up", [1, 100, RATE_HZ, BAR - 1])
def test_a_pick_up_is_never_cut(pick_up: int) -> None:
    """Sound before the ordered start: whole bars earlier, a second and more before the sound."""
    first_sound = 6 * BAR - pick_up
    voice, kick = sounding("voice.wav", take(first_sound)), sounding("kick.wav", take(6 * BAR))
    measured = session(voice, kick, sheet=sheet(BarOne(samples=6 * BAR)))
    plan = planned(measured, spec("overdub"))
    reference = reference_of(plan)
    begins = 6 * BAR - (reference.bar_1_samples or 0)
    assert reference.is_on_bar_line
    assert begins % BAR == 0
    assert RATE_HZ <= first_sound - begins < RATE_HZ + BAR
    made = carried_out(output_of(plan, "voice.wav"), measured)
    assert np.array_equal(made[:, : -pick_up or None], samples_of(voice)[:, begins:])
    assert "earlier than ordered because voice.wav sounds from" in " ".join(plan.notes)


def test_sound_from_bar_1_on_lets_the_files_begin_there() -> None:
    kick = sounding("kick.wav", take(3 * BAR))
    plan = plan_of(kick, said=sheet(BarOne(samples=3 * BAR)))
    assert reference_of(plan).bar_1_samples == 0
    assert "at bar 1; bar 1 is sample 0 of each file" in " ".join(plan.notes)


def test_what_sounds_all_along_is_only_padded_to_a_bar_line() -> None:
    room = sounding("room.wav", take(0))
    plan = plan_of(room, said=sheet(BarOne(samples=3 * BAR + 100)))
    operation = output_of(plan, "room.wav").operations[0]
    assert (operation.name, operation.parameters["head_samples"]) == ("pad", BAR - 100)
    assert reference_of(plan).bar_1_samples == 4 * BAR


def test_noise_that_is_not_silent_enough_is_not_cut() -> None:
    file = sounding("a.wav", take(4 * BAR))
    plan = plan_of(file, said=sheet(BarOne(samples=4 * BAR)), trim_threshold_dbfs=-90.0)
    assert "trim" not in names_of(output_of(plan, "a.wav"))
    assert "silence was not measured as low" in " ".join(plan.notes)


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (SessionSheet(), "does not say where bar 1 lies"),
        (sheet(None), "does not say where bar 1 lies"),
        (sheet(BarOne(timecode="01:00:00:00", frame_rate="25")), "no file has a time reference"),
        (sheet(BarOne(samples=HOUR)), "puts it at 1:00:00.000, but the files run from 0:00.000"),
    ],
)
def test_without_a_bar_1_the_common_start_is_kept(said: SessionSheet, reason: str) -> None:
    a, b = sounding("a.wav", take(BAR)), sounding("b.wav", take(2 * BAR))
    plan = plan_of(a, b, said=said)
    assert not {"trim", "place"} & {*names_of(output_of(plan, "a.wav"))}
    assert reference_of(plan).bar_1_samples is None
    assert reason in reference_of(plan).unknown
    (note,) = [note for note in plan.notes if "Bar 1" in note]
    assert reason in note
    assert "keep their common start, and no click or tempo map" in note


def test_files_that_lie_apart_are_not_moved() -> None:
    """Equally long, but stamped apart: alignment leaves them, so the bars do as well."""
    a, b = sounding("a.wav", take(0), start=HOUR), sounding("b.wav", take(0), start=HOUR + 9)
    plan = plan_of(a, b, said=sheet(BarOne(timecode="01:00:00:00", frame_rate="25")))
    assert reference_of(plan).unknown == "the files of the song do not begin together"


def test_other_rooms_only_learn_where_bar_1_lies() -> None:
    kick = sounding("kick.wav", take(4 * BAR), start=HOUR)
    said = sheet(BarOne(timecode="01:00:08:00", frame_rate="25"), count_in_bars=2)
    plan = plan_of(kick, said=said, name="mastering")
    assert names_of(output_of(plan, "kick.wav")) == ["copy"]
    assert reference_of(plan).bar_1_samples == 4 * BAR
    assert not [note for note in plan.notes if "bar" in note]


def test_an_ordered_trim_moves_the_reference_along() -> None:
    kick = sounding("kick.wav", take(4 * BAR))
    plan = plan_of(
        kick,
        said=sheet(BarOne(samples=4 * BAR)),
        name="mastering",
        is_trimmed=True,
        base="copy-audio",
    )
    assert reference_of(plan).bar_1_samples == RATE_HZ  # a second is left before the sound


def test_in_free_time_the_files_begin_at_bar_1_itself() -> None:
    said = sheet(BarOne(samples=BAR + 77), tempo_map=(), is_free_time=True, count_in_bars=2)
    plan = plan_of(sounding("a.wav", take(2 * BAR)), said=said)
    reference = reference_of(plan)
    assert (reference.bar_1_samples, reference.start_bar) == (0, None)
    assert "free time, so no count-in can be laid out" in " ".join(plan.notes)


def test_sections_behind_the_end_are_told() -> None:
    """Eight seconds of sound from bar 1 on, four bars: bar 40 is not among them."""
    sections = (Section(name="Verse", bar=1), Section(name="Outro", bar=40))
    said = sheet(BarOne(samples=0), sections=sections)
    plan = plan_of(sounding("a.wav", take(0)), said=said)
    (note,) = [note for note in plan.notes if "Not marked" in note]
    assert note.startswith("Not marked, because the files end in bar 5: Outro (bar 40); check")


def test_much_silence_in_front_is_told() -> None:
    """Stamped at two minutes, bar 1 given as if counted from the start of the files."""
    file = sounding("a.wav", take(BAR), start=120 * RATE_HZ)
    plan = plan_of(file, said=sheet(BarOne(samples=BAR)))
    assert "1:58.000 of silence in front of every file" in " ".join(plan.notes)
    assert "add 5,760,000 to its samples" in " ".join(plan.notes)


def test_no_hours_of_silence_are_put_in_front() -> None:
    """16 bars of 64 whole notes at 4 a minute last almost three days."""
    slow = (TempoMark(bar=1, tempo_bpm=4, meter="64/1"),)
    said = sheet(BarOne(samples=BAR), tempo_map=slow, count_in_bars=16)
    plan = plan_of(sounding("a.wav", take(BAR)), said=said)
    assert reference_of(plan).bar_1_samples == BAR
    assert "of silence in front; correct bar_1 or count_in_bars" in " ".join(plan.notes)
    assert not reference_of(plan).is_on_bar_line


def test_files_that_can_only_be_copied_keep_all_in_place() -> None:
    lossy = sounding("b.wav", take(2 * BAR), file_form=replace(form(24), encoding="lossy"))
    plan = plan_of(sounding("a.wav", take(2 * BAR)), lossy, said=sheet(BarOne(samples=2 * BAR)))
    assert reference_of(plan).bar_1_samples == 2 * BAR
    assert "some of its files can only be copied; bar 1 is sample 192,000" in " ".join(plan.notes)


def test_a_glide_is_told_as_it_is_read() -> None:
    marks = (TempoMark(bar=1, tempo_bpm=120, is_ramp=True), TempoMark(bar=3, tempo_bpm=90))
    plan = plan_of(sounding("a.wav", take(BAR)), said=sheet(BarOne(samples=BAR), tempo_map=marks))
    assert any("Programs differ" in note for note in plan.notes)


def test_a_count_in_before_midnight_counts_from_the_files() -> None:
    kick = sounding("kick.wav", take(0), start=0)
    said = sheet(BarOne(timecode="00:00:00:00", frame_rate="30"), count_in_bars=1)
    plan = plan_of(kick, said=said)
    reference = reference_of(plan)
    assert (reference.start_samples, reference.bar_1_samples) == (0, BAR)
    assert (reference.start_timecode, reference.frame_rate) == (None, None)
    assert "before midnight" in " ".join(plan.notes)
    bext = output_of(plan, "kick.wav").bext
    assert bext is not None
    assert bext.time_reference_samples == 0


def test_a_file_of_another_rate_comes_along() -> None:
    """One rate after delivery: bar 1 in samples counts at the song's, not at the odd file's."""
    kick = sounding("kick.wav", take(4 * BAR))
    piano = sounding(
        "piano.wav", take(8 * 44_100, rate_hz=44_100), file_form=form(24, rate_hz=44_100)
    )
    measured = session(kick, piano, sheet=sheet(BarOne(samples=4 * BAR), count_in_bars=1))
    plan = planned(measured, spec("overdub"))
    assert reference_of(plan).bar_1_samples == BAR
    made = carried_out(output_of(plan, "piano.wav"), measured)
    sound = np.flatnonzero(np.abs(made[0]) > 0.25)[0]
    assert abs(int(sound) - BAR) <= 1


def test_silent_files_are_no_obstacle() -> None:
    kick = sounding("kick.wav", take(4 * BAR))
    blank = sounding("blank.wav", np.zeros((1, 10 * BAR)))
    plan = plan_of(kick, blank, said=sheet(BarOne(samples=4 * BAR)))
    assert reference_of(plan).bar_1_samples == 0


def test_songs_are_told_apart() -> None:
    files = [
        sounding(f"{title}/a.wav", take(BAR * place), song=title)
        for title, place in (("One", 1), ("Two", 2))
    ]
    notes = tuple(
        SongNote(title=title, bar_1=BarOne(samples=BAR * place), tempo_map=TEMPO)
        for title, place in (("One", 1), ("Two", 2))
    )
    plan = plan_of(*files, said=SessionSheet(songs=notes))
    assert {title: ref.bar_1_samples for title, ref in plan.references.items()} == {
        "One": 0, "Two": 0,
    }  # fmt: skip
    assert [note.split(";")[0] for note in plan.notes] == [
        "All files of One begin at bar 1", "All files of Two begin at bar 1",
    ]  # fmt: skip


def test_the_sound_before_the_cut_was_silent() -> None:
    """Property: whatever bar and count-in are ordered, nothing above the threshold is lost."""
    generator = np.random.default_rng(5)
    for _ in range(40):
        silent, bar_1 = (int(n) for n in generator.integers(0, 9 * RATE_HZ, 2))
        said = sheet(BarOne(samples=bar_1), count_in_bars=int(generator.integers(0, 4)))
        file = sounding("a.wav", take(silent, seconds=3.0))
        measured = session(file, sheet=said)
        plan = planned(measured, spec("overdub"))
        made = carried_out(output_of(plan, "a.wav"), measured)
        reference = reference_of(plan)
        if reference.bar_1_samples is None:
            assert bar_1 > silent + 3 * RATE_HZ
            continue
        shift = bar_1 - reference.bar_1_samples
        loud = np.flatnonzero(np.abs(samples_of(file)[0]) > 10 ** (-80 / 20))
        assert np.array_equal(np.flatnonzero(np.abs(made[0]) > 10 ** (-80 / 20)), loud - shift)
