from __future__ import annotations

from typing import Any

import pytest

from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredFile
from tests.checks.factory import findings_of, judged, measured_file, sound

HOUR = 3_600


def start_findings(*files: MeasuredFile) -> list[Finding]:
    return findings_of(judged(*files), "start-alignment")


def at(path: str, seconds: float, rate_hz: int = 48_000, **changes: Any) -> MeasuredFile:
    heard = sound(identity=path, frames=changes.pop("frames", 10 * rate_hz))
    start = round((HOUR + seconds) * rate_hz) + changes.pop("late", 0)
    return measured_file(path, heard, rate_hz=rate_hz, start_samples=start, **changes)


def test_a_file_that_starts_later_and_is_shorter() -> None:
    files = at("a.wav", 0), at("b.wav", 0), at("c.wav", 3.2, frames=48_000)
    (finding,) = start_findings(*files)
    assert (finding.file, finding.against) == ("c.wav", ("a.wav",))
    assert "153,600 samples (3.200 s) later" in finding.message
    assert finding.repair == "place"


def test_its_length_is_not_told_as_well() -> None:
    files = at("a.wav", 0), at("b.wav", 0), at("c.wav", 3.2, frames=48_000)
    assert [finding.check for finding in judged(*files).findings] == ["start-alignment"]


def test_files_with_one_shift_are_one_finding() -> None:
    files = [at(f"{n}.wav", 0) for n in range(3)]
    late = [at(f"late {n}.wav", 1, frames=48_000 * (n + 1)) for n in range(2)]
    (finding,) = start_findings(*files, *late)
    assert (finding.file, finding.files) == (None, ("late 0.wav", "late 1.wav"))


@pytest.mark.parametrize(("late", "is_found"), [(0, False), (1, True)])
def test_one_sample_counts_at_one_rate(late: int, is_found: bool) -> None:
    files = at("a.wav", 0), at("b.wav", 0), at("c.wav", 0, frames=48_000, late=late)
    assert bool(start_findings(*files)) is is_found


@pytest.mark.parametrize(("late", "is_found"), [(0, False), (1, True), (-1, True)])
def test_rates_are_compared_exactly(late: int, is_found: bool) -> None:
    """1:00:00 is 172,800,000 samples at 48 kHz and 158,760,000 at 44.1 kHz."""
    odd = at("c.wav", 0, rate_hz=44_100, frames=44_100, late=late)
    assert bool(start_findings(at("a.wav", 0), at("b.wav", 0), odd)) is is_found


def test_files_without_a_reference_are_another_matter() -> None:
    files = at("a.wav", 0), at("b.wav", 0), measured_file("c.wav", sound(frames=48_000))
    assert not start_findings(*files)


def test_songs_are_apart() -> None:
    files = at("a.wav", 0, song="One"), at("b.wav", 60, song="Two")
    assert not start_findings(*files)


def test_talkback_is_a_note() -> None:
    files = at("a.wav", 0), at("b.wav", 0), at("t.wav", 5, frames=9, role="talkback")
    (finding,) = start_findings(*files)
    assert finding.severity == "note"
