"""What is compared with what, and the field sessions whose truth is known."""

from __future__ import annotations

import tarfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.app.check.inspect import inspect
from stemprep.app.check.microphones import content_jobs, microphone_jobs
from stemprep.containers import read_header
from stemprep.engine import InlineEngine
from stemprep.model.facts import Overview
from stemprep.model.mic_pairs import MicPair
from stemprep.model.report import Report
from stemprep.model.session import MeasuredFile
from stemprep.work.excerpts import SoundFile
from stemprep.work.lags import SpillJob, measure_spill
from tests import signals
from tests.checks.factory import measured_file, session, sound

SHARED = Path(__file__).parents[3] / "shared"
SESSIONS = SHARED / "sessions"
needs_sessions = pytest.mark.skipif(not SESSIONS.is_dir(), reason="no field sessions at hand")


def pairs_of(*names: str, start_samples: int | None = None) -> set[tuple[str, str, str]]:
    files = [
        measured_file(f"{name}.wav", sound(identity=name), start_samples=start_samples)
        for name in names
    ]
    return {
        (pair.relation, job.files[pair.reference].path[:-4], job.files[pair.file].path[:-4])
        for job in microphone_jobs(session(*files))
        for pair in job.pairs
    }


def test_every_distant_microphone_of_the_kit_against_every_close_one() -> None:
    assert pairs_of("Kick", "Snare", "OH", "Piano") == {
        ("kit", "Kick", "OH"), ("kit", "Snare", "OH"),
    }  # fmt: skip


def test_without_close_ones_a_room_is_no_part_of_a_kit() -> None:
    assert pairs_of("Room", "Piano", "Vox") == set()


def test_two_microphones_of_one_drum_are_compared() -> None:
    assert pairs_of("kick_in", "kick_out_inverted") == {("group", "kick_in", "kick_out_inverted")}


def test_microphones_of_one_amplifier_keep_the_order_of_the_session() -> None:
    """The same drop gave its pairs in another order from run to run."""
    names = [f"Gtr {letter}.wav" for letter in "ABCDEFGH"]
    (job,) = microphone_jobs(
        session(*(measured_file(name, sound(identity=name)) for name in names))
    )
    assert [job.files[pair.file].path for pair in job.pairs] == names[1:]


def test_files_without_a_stamp_may_share_a_signal_one_of_each_source() -> None:
    names = ("bass", "gtr", "keys", "kick", "snare")
    files = [measured_file(f"{name}.wav", sound(identity=name)) for name in names]
    assert content_jobs(session(*files)) == ()  # no picture of where they sound
    stamped = [measured_file(f"{name}.wav", start_samples=0) for name in names]
    assert content_jobs(session(*stamped)) == ()


def test_a_shared_count_in_end_to_end(tmp_path: Path) -> None:
    """Offsets by latency, one more at equal length: lengths alone do not show it."""
    burst = np.random.default_rng(2).normal(size=(1, 2_000)) * np.exp(-np.arange(2_000) / 200) * 0.2
    for name, at in (("drums", 4_000), ("bass", 4_000), ("gtr", 4_512), ("vox", 3_936)):
        count_in = np.zeros((1, 48_000))
        count_in[:, at : at + 2_000] = burst
        signals.write_wav(tmp_path / "Drop" / f"{name}.wav", count_in)
    report = inspect(tmp_path / "Drop", "mastering", engine=InlineEngine())
    found = {f.file: f.found for f in report.findings if f.check == "start-alignment"}
    assert found == {"gtr.wav": 512, "vox.wav": -64}


def inspected(name: str) -> Report:
    return inspect(SESSIONS / name, "mastering", engine=InlineEngine())


def by_files(report: Report) -> dict[tuple[str, str], MicPair]:
    return {(pair.reference, pair.file): pair for pair in report.set_facts.mic_pairs}


@needs_sessions
@pytest.mark.parametrize(
    ("name", "lag", "polarity"),
    [
        ("S08_snare_mono_*_normal", 255.93, "same"),
        ("S08_snare_mono_*_flipped", 341.23, "inverted"),
    ],
)
def test_one_microphone_above_the_kit(name: str, lag: float, polarity: str) -> None:
    report = inspected(next(SESSIONS.glob(name)).name)
    pair = by_files(report)["Snare Top.wav", "Mono Kit.wav"]
    assert pair.lag_samples == pytest.approx(lag, abs=2)
    assert pair.polarity == polarity
    told = {f.check: f.severity for f in report.findings if f.file == "Mono Kit.wav"}
    assert told.get("mic-polarity") == ("note" if polarity == "inverted" else None)
    assert told["mic-delay"] == "note"


@needs_sessions
def test_a_tracking_session_with_its_rooms() -> None:
    report = inspected("S01_tracking_clean")
    pairs = by_files(report)
    bottom = pairs["03_Snare Top.wav", "04_Snare Bot.wav"]
    assert bottom.lag_samples == pytest.approx(14, abs=1)
    assert bottom.polarity == "inverted"
    room = pairs["03_Snare Top.wav", "11_Room L.wav"]
    assert room.lag_ms == pytest.approx(14.0, abs=0.5)
    assert room.confidence > 0.8
    told = [f for f in report.findings if f.check in ("mic-polarity", "mic-delay")]
    assert {f.severity for f in told} == {"note"}
    assert [f.file for f in told if f.check == "mic-polarity"] == ["04_Snare Bot.wav"]


@needs_sessions
@pytest.mark.parametrize(
    ("name", "late"), [("OD Choir", 0), ("OD Lead Gtr", 0), ("OD Clean Gtr", 1_200)]
)
def test_overdubs_by_the_spill_of_their_headphones(name: str, late: int) -> None:
    found = measure_spill(spill_job(f"returned/{name}.wav"))
    assert found is not None
    assert found.kind == "spill"
    assert found.peak is not None
    assert found.peak.lag_samples == pytest.approx(late, abs=1)


@needs_sessions
def test_tracks_of_another_session_hold_no_spill() -> None:
    mix = spill_job("sent/Pad.wav").mix
    paths = sorted((SESSIONS / "S01_tracking_clean").glob("*.wav"))
    assert len(paths) == 24
    for path in paths:
        track = sound_file(f"../S01_tracking_clean/{path.name}")
        job = SpillJob(
            root=str(path.parent),
            track=replace(track, raw_path=path.name.encode()),
            mix=mix,
            mix_root=str(SESSIONS / "S05_overdub_return"),
        )
        found = measure_spill(job)
        assert found is not None
        assert found.kind == "none", path.name


@needs_sessions
def test_what_is_in_the_rough_mix_is_not_late() -> None:
    for name in ("Drums", "Bass", "Rhythm Gtr", "Piano", "Pad"):
        found = measure_spill(spill_job(f"sent/{name}.wav"))
        assert found is not None
        assert found.kind == "same-source", name


def spill_job(path: str) -> SpillJob:
    return SpillJob(
        root=str(SESSIONS / "S05_overdub_return"),
        track=sound_file(path),
        mix=sound_file("sent/Rough Mix.wav"),
    )


def sound_file(path: str) -> SoundFile:
    place = SESSIONS / "S05_overdub_return" / path
    with place.open("rb") as stream:
        header = read_header(stream, place.stat().st_size, path)
    return SoundFile(
        path=path,
        raw_path=path.encode(),
        header=header,
        start_samples=header.time_reference_samples,
    )


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("cases")
    with tarfile.open(SHARED / "cases" / "cases.tar.gz") as archive:
        archive.extractall(place, filter="data", members=wanted(archive))
    return place / "cases"


def wanted(archive: tarfile.TarFile) -> list[tarfile.TarInfo]:
    return [member for member in archive if "/c18" in member.name or "/c26" in member.name]


@needs_sessions
def test_a_kick_microphone_of_opposite_polarity(cases: Path) -> None:
    report = inspect(cases / "c18_polarity", "mastering", engine=InlineEngine())
    (pair,) = report.set_facts.mic_pairs
    assert (pair.reference, pair.file) == ("kick_in.wav", "kick_out_inverted.wav")
    assert pair.lag_samples == pytest.approx(24, abs=0.1)
    (finding,) = [f for f in report.findings if f.check == "mic-polarity"]
    assert (finding.file, finding.severity) == ("kick_out_inverted.wav", "note")


@needs_sessions
def test_latency_offsets_without_headers(cases: Path) -> None:
    report = inspect(cases / "c26_latency_offsets", "mastering", engine=InlineEngine())
    found = {f.file: (f.found, f.severity) for f in report.findings if f.check == "start-alignment"}
    assert found == {
        "03_gtr_512_late.wav": (512, "warn"), "05_vox_64_early.wav": (-64, "warn"),
    }  # fmt: skip


def test_a_crowd_of_microphones_is_bounded() -> None:
    """Jobs keep spectra of their references, and read pairs: as many as they are meant for."""
    names = [f"{place} {number}" for number in range(60) for place in ("Tom", "Room")]
    files = [measured_file(f"{name}.wav", sound(identity=name)) for name in names]
    files.append(measured_file("Room wide.wav", sound(identity="wide", channels=64)))
    (job,) = microphone_jobs(session(*files))
    assert len(job.loud) == 16
    assert len(job.pairs) == 512
    assert "Room wide.wav" not in {file.path for file in job.files}


def heard(name: str, start_samples: int | None, frames: int = 480_000) -> MeasuredFile:
    """A file that sounds throughout."""
    plain = sound(identity=name, frames=frames)
    loud = Overview(minimum=((-0.5,) * 10,), maximum=((0.5,) * 10,))
    return measured_file(f"{name}.wav", replace(plain, overview=loud), start_samples=start_samples)


def test_content_decides_between_two_readings_of_a_start() -> None:
    """Files of one length, one of them with another stamp: by file start, and by the stamps."""
    names = ("bass", "gtr", "keys")
    odd = [heard(name, 96_000 if name == "keys" else 48_000) for name in names]
    plain, stamped = content_jobs(session(*odd))
    assert (plain.starts, stamped.starts) == ((), (0, 0, 48_000))
    assert content_jobs(session(*(heard(name, 48_000) for name in names))) == ()
    longer = [*odd[:2], heard("keys", 96_000, frames=500_000)]
    assert content_jobs(session(*longer)) == ()


def moved_session(place: Path, names: dict[str, int]) -> Report:
    """Files of the field session, moved by so many samples and kept at their length."""
    for name, late in names.items():
        (source,) = (SESSIONS / "S01_tracking_clean").glob(f"*_{name}.wav")
        sound, rate_hz = soundfile.read(source, dtype="float64", always_2d=True)
        moved = np.zeros_like(sound)
        moved[max(late, 0) : len(sound) + min(late, 0)] = sound[
            max(-late, 0) : len(sound) - max(late, 0)
        ]
        signals.write_wav(place / "Drop" / f"{name}.wav", moved.T, rate_hz=rate_hz)
    return inspect(place / "Drop", "mastering", engine=InlineEngine())


@needs_sessions
@pytest.mark.parametrize("late", [2_160, -2_880, 12_000, -48_000, 57_600, 95_000])
@pytest.mark.parametrize(
    ("reference", "file", "natural"),
    [("Bass DI", "Bass Amp", 43.7), ("Lead Gtr", "Lead Gtr Far", 311.4),
     ("Snare Top", "OH L", 168.0)],
)  # fmt: skip
def test_a_moved_microphone_is_told_by_how_much(
    tmp_path: Path, reference: str, file: str, natural: float, late: int
) -> None:
    report = moved_session(tmp_path, {reference: 0, file: late})
    (pair,) = report.set_facts.mic_pairs
    assert pair.lag_samples - late == pytest.approx(natural, abs=2)
    (finding,) = [each for each in report.findings if each.check == "mic-delay"]
    assert finding.severity == "warn"
    assert "moved, or not of this source" in finding.message


@needs_sessions
def test_a_di_a_second_early_is_a_warning(tmp_path: Path) -> None:
    report = moved_session(tmp_path, {"Bass DI": -48_000, "Bass Amp": 0})
    (finding,) = [each for each in report.findings if each.check == "mic-delay"]
    assert (finding.file, finding.severity) == ("Bass Amp.wav", "warn")
    assert finding.found == pytest.approx(1_000.9, abs=0.5)


@needs_sessions
@pytest.mark.parametrize("late", [480, 2_880, 57_600])
def test_a_steady_pattern_is_never_told_wrongly(tmp_path: Path, late: int) -> None:
    """A sampled rhythm guitar fits at many turns; where one is told, it is the right one."""
    report = moved_session(tmp_path, {"Rhy Gtr A": 0, "Rhy Gtr B": late})
    assert [round(pair.lag_samples - late) for pair in report.set_facts.mic_pairs] in ([], [39])


@pytest.mark.parametrize("late", [0, 24_000, 36_000])
def test_a_loop_that_repeats_to_the_sample_is_not_clear(tmp_path: Path, late: int) -> None:
    """At every bar it fits: which one is meant cannot be known."""
    bar = np.concatenate([signals.pluck(peak_dbfs=-9, seconds=0.25, seed=n)[0] for n in range(2)])
    loop = np.tile(bar, 40)
    signals.write_wav(tmp_path / "Drop/Kick In.wav", loop[None, 24_000:-24_000])
    begin = 24_000 - late % len(bar)
    signals.write_wav(
        tmp_path / "Drop/Kick Out.wav", 0.5 * loop[None, begin : begin + len(loop) - 48_000]
    )
    report = inspect(tmp_path / "Drop", "mastering", engine=InlineEngine())
    assert report.set_facts.mic_pairs == ()
    assert report.set_facts.unclear_mic_pairs == (("Kick In.wav", "Kick Out.wav"),)


def test_takes_are_not_compared_as_microphones() -> None:
    assert pairs_of("Kick In tk1", "Kick In tk2", "Kick Out tk1", "Kick Out tk2") == {
        ("group", "Kick In tk1", "Kick Out tk1"), ("group", "Kick In tk2", "Kick Out tk2"),
    }  # fmt: skip
    assert pairs_of("Kick In", "Kick In take 2") == set()


def test_microphones_that_may_be_at_one_amplifier() -> None:
    assert pairs_of("Rhy Gtr A", "Rhy Gtr B", "Vox 1", "Vox 2") == {
        ("group", "Rhy Gtr A", "Rhy Gtr B")
    }


@needs_sessions
@pytest.mark.parametrize(
    ("stem", "sign"), [("OH", 1), ("OH", -1), ("Room", 1), ("Strings", 1), ("Strings", -1)]
)
def test_an_inverted_side_of_a_pair_is_a_warning(tmp_path: Path, stem: str, sign: int) -> None:
    """The imitated room's low end contradicts its treble: inverted, it would not be told."""
    for side, turn in (("L", 1), ("R", sign)):
        (source,) = (SESSIONS / "S01_tracking_clean").glob(f"*_{stem} {side}.wav")
        heard, rate_hz = soundfile.read(source, dtype="float64")
        signals.write_wav(tmp_path / f"Drop/{stem} {side}.wav", turn * heard[None], rate_hz=rate_hz)
    report = inspect(tmp_path / "Drop", "mastering", engine=InlineEngine())
    found = [(f.file, f.severity) for f in report.findings if f.check == "mic-polarity"]
    assert found == ([] if sign == 1 else [(f"{stem} R.wav", "warn")])
