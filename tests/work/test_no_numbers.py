"""What came back with NaN or infinite samples, as a plug-in that went wrong leaves them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stemprep.lineage.regions import NO_NUMBERS
from stemprep.work.both_sounds import ComparedFile, CompareJob
from stemprep.work.compare_sound import compare_sound
from stemprep.work.relating import RelateJob, relate
from tests import signals
from tests.lineage.takes import RATE_HZ, Planar, filtered, take
from tests.work.test_compare_sound import opened

START, END = 100_000, 105_000
LOST = ("edited", START, END, NO_NUMBERS)


def spoilt(sound: Planar, value: float, end: int = END) -> Planar:
    result = sound.copy()
    result[:, START:end] = value
    return result


def float_file(path: Path, sound: Planar) -> ComparedFile:
    return opened(signals.write_wav(path, sound, rate_hz=RATE_HZ, subtype="FLOAT"))


def told(folder: Path, original: Planar, returned: Planar) -> list[tuple[str, int, int, str]]:
    job = CompareJob(
        original=float_file(folder / "sent.wav", original),
        returned=float_file(folder / "back.wav", returned),
    )
    found = compare_sound(job)
    assert found is not None
    return [
        (region.kind, region.start_sample, region.end_sample, region.words)
        for region in found.regions
    ]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("end", [START + 1, START + 500, END])
def test_they_are_told_with_their_place(tmp_path: Path, value: float, end: int) -> None:
    sound = take(3)
    assert told(tmp_path, sound, spoilt(sound, value, end)) == [("edited", START, end, NO_NUMBERS)]


def test_what_was_done_beside_them_is_told_as_ever(tmp_path: Path) -> None:
    before, lost, after = told(tmp_path, take(3), spoilt(take(3) * 0.5, np.nan))
    assert (before[0], after[0]) == ("gain", "gain")
    assert lost == LOST
    assert (before[2], after[1]) == (START, END)


def test_processing_around_them_does_not_hide_them(tmp_path: Path) -> None:
    found = told(tmp_path, take(3), spoilt(filtered(take(3)), np.nan, START + 300))
    assert ("edited", START, START + 300, NO_NUMBERS) in found
    assert "processed" in {kind for kind, *_ in found}


def test_a_moved_file_is_found_in_spite_of_them(tmp_path: Path) -> None:
    moved = np.roll(take(3), 5_000, axis=1)
    whole, lost = told(tmp_path, take(3), spoilt(moved, np.nan))
    assert whole[0] == "moved"
    assert lost == ("edited", START - 5_000, END - 5_000, NO_NUMBERS)


def test_those_that_were_sent_are_no_change(tmp_path: Path) -> None:
    sent = spoilt(take(3), np.nan)
    assert told(tmp_path, sent, sent) == []


def test_the_loudness_of_a_new_file_is_followed_past_them(tmp_path: Path) -> None:
    originals = tuple(float_file(tmp_path / f"{seed}.wav", take(seed, 12.0)) for seed in (1, 2, 3))
    new = float_file(tmp_path / "new.wav", spoilt(take(2, 12.0) * 0.5, np.nan, START + 10))
    (found,) = relate(RelateJob(originals=originals, new=(new,)))
    assert (found.new, found.original) == (0, 1)
