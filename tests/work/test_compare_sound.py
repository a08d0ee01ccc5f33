"""An original and what came back of it, through files: what was done, where, to the sample."""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import soxr

from stemprep.containers import read_header
from stemprep.lineage.regions import SoundComparison
from stemprep.units import ratio_from_db
from stemprep.work.both_sounds import ComparedFile, CompareJob
from stemprep.work.compare_sound import compare_sound
from stemprep.work.excerpts import SoundFile
from tests import signals
from tests.lineage.takes import RATE_HZ, Planar, filtered, rounded, take

START, END = 100_000, 140_000


class Told(NamedTuple):
    """A region as a test compares it: gains to a hundredth of a dB."""

    kind: str
    start: int
    end: int
    gain_db: float | None = None
    moved: int | None = None


def file_of(path: Path, sound: Planar, *, rate_hz: int = RATE_HZ, bits: int = 24) -> ComparedFile:
    signals.write_wav(path, sound, rate_hz=rate_hz, subtype=f"PCM_{bits}")
    return opened(path)


def opened(path: Path) -> ComparedFile:
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, path.name)
    sound_file = SoundFile(path=path.name, raw_path=path.name.encode(), header=header)
    return ComparedFile(root=str(path.parent), sound=sound_file)


def compared(
    folder: Path,
    original: Planar,
    returned: Planar,
    *,
    rate_hz: int = RATE_HZ,
    bits: int = 24,
    name: str = "returned.wav",
) -> SoundComparison:
    job = CompareJob(
        original=file_of(folder / "sent.wav", original),
        returned=file_of(folder / name, returned, rate_hz=rate_hz, bits=bits),
    )
    found = compare_sound(pickle.loads(pickle.dumps(job)))  # noqa: S301 - what an engine does
    assert found is not None
    return found


def told(found: SoundComparison) -> list[Told]:
    return [
        Told(
            region.kind,
            region.start_sample,
            region.end_sample,
            None if region.gain_db is None else round(region.gain_db, 2),
            region.moved_samples,
        )
        for region in found.regions
    ]


def sounding(sound: Planar) -> tuple[int, int]:
    """First and last sample that is not zero."""
    places = np.flatnonzero(sound[0])
    return int(places[0]), int(places[-1]) + 1


def changed(how: str, sound: Planar) -> Planar:
    """The take with one thing done between START and END."""
    result = sound.copy()
    part = sound[:, START:END]
    result[:, START:END] = {
        "lower": lambda: part * ratio_from_db(-3.0),
        "higher": lambda: part * ratio_from_db(1.5),
        "inverted": lambda: -part,
        "later": lambda: sound[:, START - 960 : END - 960],
        "earlier, lower": lambda: sound[:, START + 4_800 : END + 4_800] * ratio_from_db(-6.0),
        "silenced": lambda: np.zeros_like(part),
        "replaced": lambda: take(7)[:, START:END],
        "filtered": lambda: filtered(part),
    }[how]()
    return rounded(result)


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ("lower", Told("gain", START, END, -3.0)),
        ("higher", Told("gain", START, END, 1.5)),
        ("inverted", Told("processed", START, END, 0.0)),
        ("later", Told("moved", START, END, 0.0, 960)),
        ("earlier, lower", Told("moved", START, END, -6.0, -4_800)),
        ("silenced", Told("edited", START, END)),
        ("replaced", Told("edited", START, END)),
        ("filtered", Told("processed", START, END)),
    ],
)
def test_one_thing_done_is_told_with_its_place(tmp_path: Path, how: str, expected: Told) -> None:
    """Edges may lie inside by samples that the change left as they were."""
    original = take()
    (found,) = told(compared(tmp_path, original, changed(how, original)))
    assert found == expected._replace(start=found.start, end=found.end)
    assert abs(found.start - START) <= 4
    assert abs(found.end - END) <= 4


def test_several_things_in_one_file(tmp_path: Path) -> None:
    original = take()
    returned = original.copy()
    returned[:, 30_000:50_000] *= ratio_from_db(2.0)
    returned[:, 120_000:150_000] = original[:, 120_050:150_050]
    returned[:, 200_000:220_000] = 0.0
    found = told(compared(tmp_path, original, rounded(returned)))
    assert [(each.kind, each.gain_db, each.moved) for each in found] == [
        ("gain", 2.0, None), ("moved", 0.0, -50), ("edited", None, None),
    ]  # fmt: skip


def test_a_gain_faded_in_and_out_is_one_gain(tmp_path: Path) -> None:
    original = take()
    level_db = np.zeros(original.shape[1])
    level_db[START:END] = -3.0
    level_db[START : START + 480] = np.linspace(0, -3.0, 480)
    level_db[END - 480 : END] = np.linspace(-3.0, 0, 480)
    found = compared(tmp_path, original, rounded(original * 10 ** (level_db / 20)))
    (region,) = found.regions
    assert region.kind == "gain"
    assert region.gain_db == pytest.approx(-3.0, abs=0.05)
    assert "faded" in region.words


def test_a_level_that_was_ridden_is_processing(tmp_path: Path) -> None:
    original = take()
    ride = 10 ** (-6 / 20 * np.sin(np.arange(original.shape[1]) / 40_000) ** 2)
    (region,) = compared(tmp_path, original, rounded(original * ride)).regions
    assert region.kind == "processed"
    assert region.gain_db is None
    assert "level moved" in region.words


@pytest.mark.parametrize("lag", [777, -777, 60_000])
def test_the_whole_moved_at_one_length(tmp_path: Path, lag: int) -> None:
    original = take()
    frames = original.shape[1]
    returned = np.zeros_like(original)
    returned[:, max(0, lag) : frames + min(0, lag)] = original[
        :, max(0, -lag) : frames - max(0, lag)
    ]
    assert told(compared(tmp_path, original, returned)) == [Told("moved", 0, frames, 0.0, lag)]


@pytest.mark.parametrize(
    ("cut", "expected"),
    [
        ((4_000, None), [Told("trimmed", 0, 4_000)]),
        ((0, -5_000), [Told("trimmed", 283_000, 288_000)]),
        ((4_000, -5_000), [Told("trimmed", 0, 4_000), Told("trimmed", 283_000, 288_000)]),
    ],
)
def test_what_was_cut_off(
    tmp_path: Path, cut: tuple[int, int | None], expected: list[Told]
) -> None:
    original = take()
    assert told(compared(tmp_path, original, original[:, slice(*cut)])) == expected


def test_what_was_added(tmp_path: Path) -> None:
    original = take()
    longer = np.pad(original, ((0, 0), (4_800, 9_600)))
    assert told(compared(tmp_path, original, longer)) == [
        Told("padded", 0, 4_800), Told("padded", 292_800, 302_400),
    ]  # fmt: skip


def test_a_second_inserted_in_the_middle_moves_the_rest(tmp_path: Path) -> None:
    original = take()
    gap = np.zeros((1, RATE_HZ))
    longer = np.concatenate([original[:, :150_000], gap, original[:, 150_000:]], axis=1)
    found = told(compared(tmp_path, original, longer))
    moved = [each for each in found if each.kind == "moved"]
    assert len(moved) == 1
    assert moved[0].moved == RATE_HZ
    assert ("padded", 288_000, 336_000) in [each[:3] for each in found]


@pytest.mark.parametrize("gain_db", [-6.0, 2.5])
def test_a_gain_throughout(tmp_path: Path, gain_db: float) -> None:
    original = take()
    found = told(compared(tmp_path, original, rounded(original * ratio_from_db(gain_db))))
    first, last = sounding(original)
    assert [each.gain_db for each in found] == [gain_db]
    assert abs(found[0].start - first) < 10
    assert abs(found[0].end - last) < 500, "the last notes fade to single steps"


def test_a_shorter_word_is_told_as_that(tmp_path: Path) -> None:
    original = take()
    dither = np.random.default_rng(1).triangular(-1, 0, 1, original.shape) * 2.0**-15
    (region,) = compared(tmp_path, original, rounded(original + dither, 16), bits=16).regions
    assert (region.kind, region.gain_db) == ("processed", 0.0)
    assert "16 bits" in region.words


def test_another_rate_is_measured_through_an_independent_converter(tmp_path: Path) -> None:
    """Converted by the reference library at another quality than ours."""
    original = take()
    converted = soxr.resample(0.5 * original[0], RATE_HZ, 44_100, quality="HQ")[np.newaxis]
    (region,) = compared(tmp_path, original, converted, rate_hz=44_100).regions
    assert (region.kind, region.start_sample, region.end_sample) == ("rate-converted", 0, 288_000)
    assert region.gain_db == pytest.approx(-6.02, abs=0.05)


def test_another_recording_under_the_same_name(tmp_path: Path) -> None:
    found = compared(tmp_path, take(1), take(2))
    assert found.is_another
    assert not found.is_of_original


def test_processing_throughout_is_no_other_recording(tmp_path: Path) -> None:
    original = take()
    found = compared(tmp_path, original, filtered(original))
    assert not found.is_another
    assert [each.kind for each in told(found)] == ["processed"]


def test_mono_that_came_back_as_stereo(tmp_path: Path) -> None:
    original = take()
    found = compared(tmp_path, original, np.repeat(original, 2, axis=0))
    assert found.regions == ()
    assert found.channels_words == "mono came back as stereo"


def test_a_container_that_cannot_be_sought_in(tmp_path: Path) -> None:
    original = take()
    returned = changed("lower", original)
    assert told(compared(tmp_path, original, returned, name="returned.flac")) == [
        Told("gain", START, END, -3.0)
    ]


def test_the_same_sound_differs_nowhere(tmp_path: Path) -> None:
    assert compared(tmp_path, take(), take()).regions == ()


def test_a_file_that_is_gone_tells_nothing(tmp_path: Path) -> None:
    job = CompareJob(
        original=file_of(tmp_path / "sent.wav", take()),
        returned=file_of(tmp_path / "returned.wav", take()),
    )
    (tmp_path / "returned.wav").unlink()
    assert compare_sound(job) is None
