from __future__ import annotations

from dataclasses import replace

from stemprep.lineage.added_silence import unpadded_regions
from stemprep.model.reconciliation import AddedSilence, Region
from tests.checks.returns import BASS, judged


def test_silence_at_the_end_needs_nothing() -> None:
    missing = unpadded_regions(AddedSilence(tail_samples=96_000), BASS.frames)
    fate = replace(BASS, status="header-changed", regions=missing)
    (finding,) = judged("original-unpadded", fate)
    assert (finding.severity, finding.file, finding.found) == ("note", "Bass.wav", 96_000)
    assert "96,000 samples (2.000 s) at the end" in finding.message
    assert "early" not in finding.message
    assert finding.advice.startswith("Nothing")
    assert judged("original-changed", fate) == []


def test_without_silence_in_front_it_plays_early() -> None:
    missing = unpadded_regions(AddedSilence(head_samples=480, tail_samples=1), BASS.frames)
    (finding,) = judged("original-unpadded", replace(BASS, status="rewrapped", regions=missing))
    assert "480 samples (10.00 ms) in front and 1 sample (0.02 ms) at the end" in finding.message
    assert "plays 480 samples (10.00 ms) early" in finding.message
    assert "the file in the package" in finding.advice


def test_one_sample_of_the_recording_makes_it_a_change() -> None:
    (added,) = unpadded_regions(AddedSilence(tail_samples=96_000), BASS.frames)
    own = Region(start_sample=863_999, end_sample=864_000, kind="trimmed")
    fate = replace(BASS, status="changed", regions=(own, added))
    assert judged("original-unpadded", fate) == []
    (finding,) = judged("original-changed", fate)
    assert (finding.start_sample, finding.end_sample) == (863_999, 864_000)


def test_an_original_at_full_length_is_nothing() -> None:
    assert judged("original-unpadded", BASS) == []
