from __future__ import annotations

import pytest

from stemprep.checks import judge
from stemprep.model.sheet import SessionSheet, SongNote
from tests.checks.factory import RATE_HZ, findings_of, measured_file, session, sound, spec

END_S = 232.4  # 3:52.400


def found(fades: str | None, *, role: str = "mix") -> list[str]:
    heard = sound(frames=round(END_S * RATE_HZ))
    longer = sound(frames=round(2 * END_S * RATE_HZ))
    files = [measured_file("MIX.wav", heard, role=role, song="Low Water")]  # type: ignore[arg-type]
    if role == "mix":
        files.append(measured_file("Gtr.wav", longer, song="Low Water"))
    sheet = SessionSheet(songs=(SongNote(title="Low Water", fades=fades),))
    measured = session(*files, sheet=sheet)
    return [each.message for each in findings_of(judge(measured, spec()), "fade-time")]


@pytest.mark.parametrize(
    "fades",
    [
        None,
        "none",
        "out from 3:40, gone by 3:52",
        "gone by 3:53",  # a display of full seconds may round up
        "out from 00:03:40",
        "a bar longer, in 4/4",
    ],
)
def test_a_fade_inside_the_song_passes(fades: str | None) -> None:
    assert found(fades) == []


@pytest.mark.parametrize(
    ("fades", "time"),
    [
        ("out from 3:40, gone by 4:10", "4:10"),
        ("gone by 3:53.5", "3:53.5"),
        ("gone by 1:02:00", "1:02:00"),
        ("weg bei 3:59,5", "3:59,5"),
    ],
)
def test_a_fade_after_the_end_of_every_mix_is_told(fades: str, time: str) -> None:
    assert found(fades) == [
        f"the session sheet asks for a fade at {time}; the song ends at 3:52.400"
    ]


def test_without_a_mix_the_longest_file_counts() -> None:
    assert found("gone by 3:52", role="stem") == []
    assert len(found("gone by 4:10", role="stem")) == 1
