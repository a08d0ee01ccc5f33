"""Originals that came back without silence that their package had added, and what looks like it.

What is added is known from how the drop was made here; it is held against the manifest first.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from stemprep.app.returns.accept import Acceptance, accept
from stemprep.app.returns.reconcile import reconcile
from stemprep.model.reconciliation import OriginalFate, Reconciliation
from stemprep.report import (
    reconciliation_json,
    reconciliation_schema,
    render_reconciliation,
    render_reconciliation_html,
)
from tests.end_to_end import drops, returns
from tests.lineage.takes import RATE_HZ, Planar, filtered, rounded

Change = Callable[[Planar], Planar]

LATE_S = 2
HEAD = LATE_S * RATE_HZ
OWN = 12_000
"""Silence of its own at either end of each recording."""
SOUNDING = {"Bass": 300_000, "Guitar": 250_000, "Loop": 6 * RATE_HZ}


def recorded(name: str) -> Planar:
    """The take as it was recorded: its own silence at both ends, sound from first to last."""
    frames = SOUNDING[name]
    if name == "Loop":  # one second over and over, as a drum machine plays it
        sound = np.tile(returns.tracks()["Piano"][:, RATE_HZ : 2 * RATE_HZ], 6)
    else:
        sound = returns.tracks()[name][:, 60_000 : 60_000 + frames].copy()
    sound[:, 0], sound[:, -1] = 0.01, 0.01
    own = 0 if name == "Loop" else OWN
    return rounded(np.pad(sound, ((0, 0), (own, own))))


class Room:
    """A package whose files were filled to one start and one length."""

    def __init__(self, place: Path) -> None:
        self.place = place
        drop = place / "Slow Ferry Home"
        drops.write_take(drop / "Drums.wav", returns.tracks()["Drums"])
        drops.write_take(drop / "Bass.wav", recorded("Bass"))
        for name in ("Guitar", "Loop"):
            drops.write_take(drop / f"{name}.wav", recorded(name), start_s=drops.START_S + LATE_S)
        drops.write_take(drop / "Rough Mix.wav", returns.mix())
        drops.write_take(drop / "Tacet.wav", np.zeros((1, 96_000)))
        self.spec = returns.spec_file(place)
        report = deliver(drop, self.spec, [place / "out"])
        assert report.package is not None, [each.message for each in report.findings]
        self.package = Path(report.package)

    def path_of(self, name: str) -> str:
        (found,) = (
            file["path"]
            for file in returns.manifest_of(self.package)["files"]
            if file["sources"][0]["path"] == f"{name}.wav"
        )
        return str(found)

    def sent(self, name: str) -> Planar:
        """The sound as delivered, by a reader that is not ours."""
        sound, _ = soundfile.read(self.package / self.path_of(name), always_2d=True)
        return np.asarray(sound.T)

    def back(
        self, folder: Path, name: str, change: Change, start_s: float | None = drops.START_S
    ) -> Reconciliation:
        """What is told of one file that came back, changed."""
        path = folder / "back" / Path(self.path_of(name)).name
        drops.write_take(path, change(self.sent(name)), start_s=start_s)
        return reconcile(path.parent, self.package, self.spec)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Room:
    return Room(tmp_path_factory.mktemp("unpadded"))


def fate_of(result: Reconciliation, name: str) -> OriginalFate:
    (found,) = (fate for fate in result.returned.originals if fate.source == f"{name}.wav")
    return found


def checks_of(result: Reconciliation) -> set[tuple[str, str]]:
    found = {(each.check, each.severity) for each in result.findings}
    return found - {("original-missing", "note")}


def test_the_drop_is_padded_as_these_tests_believe(room: Room) -> None:
    for name in ("Bass", "Guitar", "Loop"):
        head = 0 if name == "Bass" else HEAD
        take, sent = recorded(name), room.sent(name)
        assert sent.shape[1] == returns.FRAMES
        assert np.array_equal(sent[:, head : head + take.shape[1]], take)
        assert not sent[:, :head].any()
        assert not sent[:, head + take.shape[1] :].any()


@pytest.mark.parametrize(
    ("name", "head", "tail"),
    [
        ("Bass", 0, 1),
        ("Bass", 0, 100_000),
        ("Bass", 0, returns.FRAMES - recorded("Bass").shape[1]),
        ("Guitar", 1, 0),
        ("Guitar", 48_000, 0),
        ("Guitar", HEAD, 0),
        ("Guitar", 31_337, 77_777),
        ("Guitar", HEAD, returns.FRAMES - HEAD - recorded("Guitar").shape[1]),
        ("Loop", HEAD, 0),
        ("Loop", RATE_HZ, RATE_HZ),
        ("Tacet", 0, 100_000),
    ],
)
def test_added_silence_that_is_missing_is_no_fault(
    room: Room, tmp_path: Path, name: str, head: int, tail: int
) -> None:
    result = room.back(tmp_path, name, lambda sent: sent[:, head : sent.shape[1] - tail])
    fate = fate_of(result, name)
    assert fate.status == "header-changed"
    told = [(region.kind, region.start_sample, region.end_sample) for region in fate.regions]
    ends = [("trimmed", 0, head), ("trimmed", returns.FRAMES - tail, returns.FRAMES)]
    assert told == [end for end in ends if end[1] < end[2]]
    assert checks_of(result) == {("original-unpadded", "note")}
    (note,) = (each for each in result.findings if each.check == "original-unpadded")
    assert note.found == head + tail
    assert (f"plays {head:,} sample" in note.message) == bool(head)


def louder_at(place: int) -> Change:
    """One sample by one step of 24 bits."""

    def change(sent: Planar) -> Planar:
        result = sent.copy()
        result[:, place] += 2.0**-23
        return result

    return change


def noise(frames: int) -> Planar:
    return rounded(0.01 * np.random.default_rng(7).normal(size=(1, frames)))


GUITAR_END = HEAD + recorded("Guitar").shape[1]
BASS_END = recorded("Bass").shape[1]


@pytest.mark.parametrize(
    ("name", "change"),
    [
        pytest.param("Bass", lambda s: s[:, : BASS_END - OWN - 1], id="last sample of the sound"),
        pytest.param("Bass", lambda s: s[:, : BASS_END - 1], id="silence of its own, at the end"),
        pytest.param("Bass", lambda s: s[:, 1:], id="silence of its own, in front"),
        pytest.param("Guitar", lambda s: s[:, HEAD + 1 :], id="silence of its own, after ours"),
        pytest.param("Guitar", lambda s: s[:, HEAD + OWN + 1 :], id="first sample of the sound"),
        pytest.param("Loop", lambda s: s[:, HEAD + 1 :], id="first sample of a loop"),
        pytest.param("Loop", lambda s: s[:, HEAD + RATE_HZ :], id="first round of a loop"),
        pytest.param(
            "Loop",
            lambda s: np.delete(s, np.s_[HEAD : HEAD + RATE_HZ], axis=1),
            id="a round of a loop, our silence kept",
        ),
        pytest.param(
            "Bass", lambda s: louder_at(99_999)(s)[:, :-50_000], id="a step of one sample"
        ),
        pytest.param("Bass", lambda s: louder_at(400_000)(s)[:, :-50_000], id="a step in silence"),
        pytest.param(
            "Bass", lambda s: np.hstack([s[:, :400_000], noise(100_000)]), id="noise for silence"
        ),
        pytest.param(
            "Bass",
            lambda s: np.hstack([s[:, :400_000], noise(returns.FRAMES - 400_000)]),
            id="noise for silence at full length",
        ),
        pytest.param("Guitar", lambda s: np.hstack([noise(HEAD), s[:, HEAD:]]), id="noise before"),
        pytest.param("Bass", lambda s: rounded(s * 0.5)[:, :-50_000], id="lower"),
        pytest.param("Bass", lambda s: filtered(s)[:, :-50_000], id="filtered"),
        pytest.param("Bass", lambda s: rounded(s, 16)[:, :-50_000], id="a shorter word"),
        pytest.param("Bass", lambda s: np.repeat(s[:, :-50_000], 2, axis=0), id="as stereo"),
        pytest.param(
            "Guitar", lambda s: np.roll(s, -HEAD, axis=1), id="moved to the front at full length"
        ),
        pytest.param(
            "Bass", lambda s: np.roll(s, -1, axis=1)[:, :-50_000], id="a sample early, and cut"
        ),
        pytest.param(
            "Bass", lambda s: np.pad(s[:, :-50_000], ((0, 0), (1, 0))), id="a sample late, and cut"
        ),
        pytest.param("Bass", lambda s: np.pad(s, ((0, 0), (0, 100))), id="longer"),
        pytest.param("Drums", lambda s: s[:, :-1], id="nothing was added to it"),
        pytest.param("Bass", lambda s: np.zeros_like(s)[:, :-50_000], id="silenced"),
    ],
)
def test_all_else_stays_a_fault(room: Room, tmp_path: Path, name: str, change: Change) -> None:
    result = room.back(tmp_path, name, change)
    assert fate_of(result, name).status == "changed"
    assert checks_of(result) == {("original-changed", "warn")}


def test_of_what_is_cut_off_the_recordings_own_part_is_told_apart(
    room: Room, tmp_path: Path
) -> None:
    result = room.back(tmp_path, "Guitar", lambda sent: sent[:, HEAD + OWN + 1 : GUITAR_END + 5])
    fate = fate_of(result, "Guitar")
    told = [
        (region.start_sample, region.end_sample, region.is_added_silence) for region in fate.regions
    ]
    assert told == [
        (0, HEAD, True),
        (HEAD, HEAD + OWN + 1, False),
        (GUITAR_END + 5, returns.FRAMES, True),
    ]
    (finding,) = (each for each in result.findings if each.check == "original-changed")
    assert (finding.start_sample, finding.end_sample) == (HEAD, HEAD + OWN + 1)
    assert finding.occurrences is None


@pytest.mark.parametrize(
    ("start_s", "words"),
    [
        (drops.START_S + 1, ()),
        (drops.START_S, ("its time reference is 172,800,000 instead of 172,848,000",)),
        (None, ("its time reference is absent instead of 172,848,000",)),
    ],
)
def test_the_time_reference_has_to_count_the_missing_silence(
    room: Room, tmp_path: Path, start_s: float | None, words: tuple[str, ...]
) -> None:
    result = room.back(tmp_path, "Guitar", lambda sent: sent[:, RATE_HZ:], start_s)
    assert fate_of(result, "Guitar").header_words == words


def test_another_container_and_another_name_are_told_beside_it(room: Room, tmp_path: Path) -> None:
    codes = np.rint(room.sent("Guitar")[0, 1_000:-1_000] * 2.0**31).astype(np.int64)
    soundfile.write(
        tmp_path / "Gtr from the barn.flac", codes.astype(np.int32), RATE_HZ, subtype="PCM_24"
    )
    result = reconcile(tmp_path, room.package, room.spec)
    fate = fate_of(result, "Guitar")
    assert (fate.status, fate.is_renamed, fate.is_unpadded) == ("rewrapped", True, True)
    assert checks_of(result) == {("original-unpadded", "note"), ("original-renamed", "note")}


def test_a_file_brought_to_the_songs_rate_lacks_what_was_added_after_that(tmp_path: Path) -> None:
    """The converter's own trace stays out of the silence that is added to its result."""
    drop = tmp_path / "drop"
    drops.write_take(drop / "Drums.wav", returns.tracks()["Drums"])
    drops.write_take(drop / "Bass.wav", returns.tracks()["Bass"])
    drops.write_take(drop / "Piano.wav", returns.tracks()["Piano"][:, :264_600], rate_hz=44_100)
    spec = returns.spec_file(tmp_path)
    report = deliver(drop, spec, [tmp_path / "out"])
    assert report.package is not None
    package = Path(report.package)
    (sent,) = package.glob("data/tracks/*Piano.wav")
    sound, rate_hz = soundfile.read(sent, always_2d=True)
    assert (rate_hz, len(sound)) == (RATE_HZ, returns.FRAMES)
    for folder, frames, status in (
        ("silence", 264_600 * 160 // 147, "header-changed"),
        ("sound", 264_600 * 160 // 147 - 1, "changed"),
    ):
        drops.write_take(tmp_path / folder / sent.name, sound[:frames].T)
        result = reconcile(tmp_path / folder, package, spec)
        assert fate_of(result, "Piano").status == status


@pytest.fixture(scope="module")
def both(room: Room, tmp_path_factory: pytest.TempPathFactory) -> Reconciliation:
    """Two files that lack different silence."""
    folder = tmp_path_factory.mktemp("both")
    for name, span in (("Bass", slice(0, 400_000)), ("Guitar", slice(48_000, None))):
        drops.write_take(folder / Path(room.path_of(name)).name, room.sent(name)[:, span])
    return reconcile(folder, room.package, room.spec)


def test_text_page_and_record_tell_the_same(both: Reconciliation) -> None:
    record = reconciliation_json(both)
    jsonschema.Draft202012Validator(reconciliation_schema()).validate(record)
    text = " ".join(render_reconciliation(both).split())
    page = render_reconciliation_html(both)
    assert "2 of 6 originals the same in sound, 4 not back" in text
    assert "2 of 6 originals the same in sound, 4 not back" in page
    for file, words in (
        ("Bass.wav", "176,000 samples (3.667 s) at the end"),
        ("Guitar.wav", "48,000 samples (1.000 s) in front"),
    ):
        (original,) = (each for each in record["originals"] if each["source"] == file)
        assert original["status"] == "header-changed"
        assert [region["is_added_silence"] for region in original["regions"]] == [True]
        (finding,) = (each for each in record["findings"] if each["against"] == [original["file"]])
        assert (finding["check"], finding["severity"]) == ("original-unpadded", "note")
        for told in (finding["message"], text, page):
            assert words in told
    assert page.count('<td class="short">unpadded</td>') == 2
    assert text.count("unpadded 0") == 2
    assert "silence that the package had added is cut off from 0:08.333 to 0:12.000" in text
    assert "To do Nothing." in text


@pytest.fixture(scope="module")
def following(room: Room, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The delivery after a return with a new take, and a guitar without its silence."""
    place = tmp_path_factory.mktemp("following")
    folder = place / "from the barn"
    name = Path(room.path_of("Guitar")).name
    drops.write_take(folder / name, room.sent("Guitar")[:, 48_000:500_000])
    returns.write_new(folder / "OD Choir.wav", returns.sung(330.0), 0)
    order = Acceptance(destinations=(place / "next",))
    result = accept(folder, room.package, order, room.spec)
    assert result.accepted is not None
    return Path(result.accepted)


def test_the_next_delivery_holds_no_second_version_of_it(room: Room, following: Path) -> None:
    sent = {file["path"] for file in returns.manifest_of(room.package)["files"]}
    kept = {file["path"] for file in returns.manifest_of(following)["files"]}
    assert sent < kept
    assert [Path(path).stem[3:] for path in kept - sent] == ["OD Choir"]


def test_the_next_package_still_knows_what_the_first_one_added(
    room: Room, following: Path, tmp_path: Path
) -> None:
    name = Path(room.path_of("Guitar")).name
    own = HEAD + OWN + 1
    for folder, span, status in (
        ("silence", slice(31_337, -77_777), "header-changed"),
        ("sound", slice(own, None), "changed"),
    ):
        drops.write_take(tmp_path / folder / name, room.sent("Guitar")[:, span])
        (fate,) = (
            each
            for each in reconcile(tmp_path / folder, following, room.spec).returned.originals
            if each.returned_as == name
        )
        assert fate.status == status
        assert next(region.is_added_silence for region in fate.regions)
    (copied,) = (
        file["operations"]
        for file in returns.manifest_of(following)["files"]
        if Path(file["path"]).name == name
    )
    assert [step["parameters"] for step in copied] == [
        {"added_head_samples": HEAD, "added_tail_samples": returns.FRAMES - GUITAR_END}
    ]
