from __future__ import annotations

import pytest

from stemprep.checks import judge
from stemprep.checks.clipping import ClippingRule
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import BarOne, SessionSheet, SongNote, TempoMark
from tests.checks.factory import RATE_HZ, measured_file, runs, session, sound, spec
from tests.shipped import shipped_rule

HOUR = 3600
RULE = shipped_rule(ClippingRule, severity="fail")


def clipped(path: str, second: int, *, rate_hz: int = RATE_HZ, start_s: int | None) -> MeasuredFile:
    start = second * rate_hz
    return measured_file(
        path,
        heard=sound(frames=20 * rate_hz, identity=path, full_scale=runs((1, start, start + 5))),
        rate_hz=rate_hz,
        start_samples=None if start_s is None else start_s * rate_hz,
    )


def bars(bar_1: BarOne | None, *files: MeasuredFile, bpm: float = 120) -> list[str | None]:
    note = SongNote(
        title="A", bar_1=bar_1, tempo_map=(TempoMark(bar=1, tempo_bpm=bpm, meter="3/4"),)
    )
    sheet = SessionSheet(songs=(note,))
    judged = judge(session(*files, sheet=sheet), spec({"clipping": RULE}))
    return [finding.start_bar for finding in judged.findings if finding.check == "clipping"]


def test_bar_and_beat_from_the_start_of_the_files() -> None:
    """3/4 at 120: a bar is 1.5 s; bar 1 at 2 s, so 9 s is 7 s on: bar 5, and 2 beats of it."""
    assert bars(BarOne(samples=2 * RATE_HZ), clipped("a.wav", 9, start_s=None)) == ["5.3"]
    assert bars(BarOne(samples=2 * RATE_HZ), clipped("a.wav", 1, start_s=None)) == ["0.2"]


def test_files_are_placed_by_their_time_references_at_their_own_rates() -> None:
    """Bar 1 at one o'clock by timecode; faults 4, 4 and 9 s later, in bars of 1.5 s."""
    files = (
        clipped("a.wav", 4, start_s=HOUR),
        clipped("b.wav", 2, start_s=HOUR + 2, rate_hz=44_100),
        clipped("c.wav", 9, start_s=HOUR),
    )
    said = BarOne(timecode="01:00:00:00", frame_rate="25")
    assert bars(said, *files) == ["3.3", "3.3", "7.1"]


def test_a_file_that_could_lie_anywhere_has_no_bar() -> None:
    files = (clipped("a.wav", 3, start_s=HOUR), clipped("b.wav", 3, start_s=None))
    assert bars(BarOne(timecode="01:00:00:00", frame_rate="25"), *files) == ["3.1", None]


@pytest.mark.parametrize(
    "said",
    [
        None,
        BarOne(timecode="01:00:00:00", frame_rate="25"),  # no file says when it begins
        BarOne(samples=HOUR * RATE_HZ),  # far behind the files' end
    ],
)
def test_no_bar_is_told_that_nobody_knows(said: BarOne | None) -> None:
    assert bars(said, clipped("a.wav", 3, start_s=None)) == [None]
