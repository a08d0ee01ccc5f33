"""Which original a new file may be made of."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from stemprep.units import ratio_from_db
from stemprep.work.relating import RelateJob, relate
from tests.lineage.takes import filtered, rounded, take
from tests.work.test_compare_sound import file_of


def test_a_filtered_quieter_and_later_version_finds_its_original(tmp_path: Path) -> None:
    originals = tuple(file_of(tmp_path / f"{n}.wav", take(n)) for n in range(1, 5))
    version = np.pad(rounded(filtered(take(3)) * ratio_from_db(-9.0)), ((0, 0), (20_000, 0)))
    new = (file_of(tmp_path / "own.wav", take(9)), file_of(tmp_path / "made.wav", version))
    (found,) = relate(RelateJob(originals=originals, new=new))
    assert (found.new, found.original) == (1, 2)
    assert found.likeness > 0.8


def test_silence_and_files_that_are_gone_have_no_relatives(tmp_path: Path) -> None:
    silent = file_of(tmp_path / "silent.wav", np.zeros((1, 96_000)))
    gone = file_of(tmp_path / "gone.wav", take(1))
    (tmp_path / "gone.wav").unlink()
    assert relate(RelateJob(originals=(silent, gone), new=(silent, gone))) == ()
