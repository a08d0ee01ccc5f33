"""Takes of which nothing says where they begin, and what accepting them does to everything else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from stemprep.app.returns.accept import Acceptance, accept
from stemprep.app.returns.reconcile import reconcile
from stemprep.containers import read_header
from stemprep.errors import UsageError
from stemprep.model.reconciliation import NewFile, Reconciliation
from stemprep.report import reconciliation_json, render_reconciliation
from tests.cli.running import here
from tests.end_to_end import drops, returns
from tests.lineage.takes import Planar, rounded, take

RATE_HZ = returns.RATE_HZ
MINUS_ONES = "extends: overdub\ncontents: {companions: [minus-ones, click]}\n"
BARS = """\
artist: The Quillmoor Lantern Band
title: Slow Ferry Home
songs:
  - title: Slow Ferry Home
    bar_1: {samples: 172896000}
    tempo_map: [{bar: 1, tempo_bpm: 120, meter: 4/4}]
"""


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package whose files begin at bar 0, two seconds before bar 1; minus-ones, a click."""
    place = tmp_path_factory.mktemp("places")
    drop = returns.sent_drop(place / "Slow Ferry Home")
    (drop / "session.yaml").write_text(BARS)
    (place / "minus-ones.yaml").write_text(MINUS_ONES)
    report = deliver(drop, place / "minus-ones.yaml", [place / "out"])
    assert report.package is not None, [each.message for each in report.findings]
    return Path(report.package)


@pytest.fixture
def spec(tmp_path: Path) -> Path:
    path = tmp_path / "minus-ones.yaml"
    path.write_text(MINUS_ONES)
    return path


def dry(*, start: int = 96_000, pitch_hz: float = 330.0) -> Planar:
    return returns.sung(pitch_hz, start=start, spill_db=None)


def new(result: Reconciliation, name: str) -> NewFile:
    (found,) = (file for file in result.returned.new_files if file.file == name)
    return found


def lines(result: Reconciliation) -> str:
    return " ".join(render_reconciliation(result).split())


def written(package: Path, source: str) -> Path:
    (file,) = (
        each
        for each in returns.manifest_of(package)["files"]
        if source in [one["path"] for one in each["sources"]]
    )
    return package / file["path"]


def stamp_of(path: Path) -> int | None:
    with path.open("rb") as stream:
        return read_header(stream, path.stat().st_size, path.name).time_reference_samples


def test_a_cropped_take_that_says_nothing_has_no_place(sent: Path, tmp_path: Path) -> None:
    drops.write_take(tmp_path / "back" / "A.wav", dry(), start_s=None)
    result = reconcile(tmp_path / "back", sent)
    file = new(result, "A.wav")
    assert (file.start_sample, file.placed_by) == (None, "unknown")
    (finding,) = (each for each in result.findings if each.check == "unplaced")
    assert (finding.severity, finding.file) == ("warn", "A.wav")
    assert "--place" in finding.advice
    text = lines(result)
    assert "where it starts is not known" in text
    assert "0:00.000" not in text
    assert "no mix leaked into it" not in text
    assert "none was found" in text
    assert "Decide about 1 new file whose start is not known." in text


def test_a_take_as_long_as_the_session_begins_with_it(sent: Path, tmp_path: Path) -> None:
    drops.write_take(tmp_path / "back" / "A.wav", dry(start=0), start_s=None)
    result = reconcile(tmp_path / "back", sent)
    file = new(result, "A.wav")
    assert (file.start_sample, file.placed_by) == (0, "file-start")
    assert "as long as" in file.evidence
    assert not any(each.check == "unplaced" for each in result.findings)


@pytest.mark.parametrize(
    ("stamp_s", "words"), [(None, "no time reference"), (0, "a time reference of zero")]
)
def test_it_is_accepted_only_by_order(
    sent: Path, spec: Path, tmp_path: Path, stamp_s: float | None, words: str
) -> None:
    back = tmp_path / "back"
    drops.write_take(back / "A.wav", dry(), start_s=stamp_s)
    order = Acceptance(destinations=(tmp_path / "next",))
    refused = accept(back, sent, order, spec)
    assert refused.accepted is None
    assert not (tmp_path / "next").exists()
    (finding,) = (each for each in refused.findings if each.check == "unplaced")
    assert (finding.severity, finding.file) == ("fail", "A.wav")
    assert words in finding.message


@pytest.mark.parametrize(
    ("where", "start"), [("96000", 96_000), ("bar 2", 192_000), ("bar 1 beat 3", 144_000)]
)
def test_an_ordered_place_is_exact_and_strips_nothing(
    sent: Path, spec: Path, tmp_path: Path, where: str, start: int
) -> None:
    """Minus-ones and click of the next delivery keep the time reference that the tracks have."""
    back = tmp_path / "back"
    drops.write_take(back / "A.wav", dry(), start_s=None)
    order = Acceptance(destinations=(tmp_path / "next",), places=(f"A.wav={where}",))
    result = accept(back, sent, order, spec)
    assert result.accepted is not None, [each.message for each in result.findings]
    package = Path(result.accepted)
    sound, _ = soundfile.read(written(package, "A.wav"), always_2d=True)
    assert returns.lag_of(sound[:, 0], dry()[0]) == start
    assert not sound[:start].any()
    common = drops.START_S * RATE_HZ
    made = [*package.glob("data/**/minus-ones/*.wav"), *package.glob("data/**/click/*.wav")]
    assert len(made) > 1
    assert {stamp_of(path) for path in [*made, written(package, "A.wav")]} == {common}
    (step,) = (each for each in steps_of(package, "A.wav") if each["name"] == "place")
    assert step["parameters"]["head_samples"] == start
    assert "as ordered on the command line" in step["evidence"]
    assert not any(each.check == "unplaced" for each in result.findings), "the delivery placed it"


def steps_of(package: Path, source: str) -> list[dict[str, Any]]:
    (file,) = (
        each
        for each in returns.manifest_of(package)["files"]
        if source in [one["path"] for one in each["sources"]]
    )
    return list(file["operations"])


def test_a_sheet_in_the_return_may_order_the_place(sent: Path, spec: Path, tmp_path: Path) -> None:
    back = tmp_path / "back"
    drops.write_take(back / "A.wav", dry(), start_s=None)
    (back / "session.yaml").write_text("tracks: [{file: A.wav, order: {move_samples: 96000}}]\n")
    result = accept(back, sent, Acceptance(destinations=(tmp_path / "next",)), spec)
    assert result.accepted is not None, [each.message for each in result.findings]
    sound, _ = soundfile.read(written(Path(result.accepted), "A.wav"), always_2d=True)
    assert returns.lag_of(sound[:, 0], dry()[0]) == 96_000


def test_one_unstamped_track_of_a_drop_strips_nothing_either(tmp_path: Path) -> None:
    """The same in a first delivery: the files begin together, whether all say so or not."""
    drop = returns.sent_drop(tmp_path / "Slow Ferry Home")
    (drop / "session.yaml").write_text(BARS)
    drops.write_take(drop / "Shaker.wav", dry(start=0), start_s=None)
    (tmp_path / "minus-ones.yaml").write_text(MINUS_ONES)
    report = deliver(drop, tmp_path / "minus-ones.yaml", [tmp_path / "out"])
    assert report.package is not None, [each.message for each in report.findings]
    package = Path(report.package)
    made = [*package.glob("data/**/minus-ones/*.wav"), *package.glob("data/**/click/*.wav")]
    assert {stamp_of(path) for path in made} == {drops.START_S * RATE_HZ}


def test_a_place_that_the_mix_tells_needs_an_order_too(
    sent: Path, spec: Path, tmp_path: Path
) -> None:
    """It used to be told at 0:02.572 and to be put at 0."""
    back = tmp_path / "back"
    drops.write_take(back / "A.wav", returns.sung(330.0, start=123_456), start_s=None)
    refused = accept(back, sent, Acceptance(destinations=(tmp_path / "next",)), spec)
    assert refused.accepted is None
    assert any("--move" in each.advice for each in refused.findings if each.severity == "fail")
    order = Acceptance(destinations=(tmp_path / "next",), places=("A.wav=123456",))
    assert accept(back, sent, order, spec).accepted is not None


@pytest.mark.parametrize(
    ("places", "reason"),
    [
        (("B.wav=0",), "names no new file"),
        (("A.wav",), "FILE=SAMPLES"),
        (("A.wav=soon",), "neither a number of samples nor a bar"),
        (("A.wav=bar 900",), "after the end of the session"),
        (("A.wav=99999999999",), "after the end of the session"),
        (("A.wav=0", "A.wav=1"), "two places"),
    ],
)
def test_a_place_that_is_none_is_refused(
    sent: Path, spec: Path, tmp_path: Path, places: tuple[str, ...], reason: str
) -> None:
    drops.write_take(tmp_path / "back" / "A.wav", dry(), start_s=None)
    order = Acceptance(destinations=(tmp_path / "next",), places=places)
    with pytest.raises(UsageError, match=reason):
        accept(tmp_path / "back", sent, order, spec)
    assert not (tmp_path / "next").exists()


def test_a_place_and_a_move_of_one_file_contradict(sent: Path, spec: Path, tmp_path: Path) -> None:
    returns.write_new(tmp_path / "back" / "A.wav", returns.sung(330.0, late=1_200), 0)
    order = Acceptance(destinations=(tmp_path / "next",), places=("A.wav=0",), moves=("A.wav",))
    with pytest.raises(UsageError, match="both"):
        accept(tmp_path / "back", sent, order, spec)


def test_the_command_line_takes_places(
    sent: Path, spec: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drops.write_take(tmp_path / "back" / "A.wav", dry(), start_s=None)
    against = ("reconcile", tmp_path / "back", "--against", sent, "--spec", spec)
    assert here(capsys, *against, "--accept", "--to", tmp_path / "next").code == 1
    assert here(capsys, *against, "--place", "A.wav=96000").code == 2
    ordered = ("--accept", "--to", tmp_path / "next", "--place", "A.wav=96000")
    assert here(capsys, *against, *ordered).code == 0


def test_a_silent_take_has_a_line_of_its_own(sent: Path, tmp_path: Path) -> None:
    silence = np.zeros((1, returns.FRAMES))
    returns.write_new(tmp_path / "back" / "Empty.wav", silence, 0)
    result = reconcile(tmp_path / "back", sent)
    (finding,) = (each for each in result.findings if each.check == "silent-file")
    assert (finding.severity, finding.file) == ("warn", "Empty.wav")
    assert "1 silent file" in lines(result)


def test_equal_sides_of_a_take_are_told(sent: Path, tmp_path: Path) -> None:
    returns.write_new(tmp_path / "back" / "Both.wav", np.repeat(returns.sung(330.0), 2, axis=0), 0)
    result = reconcile(tmp_path / "back", sent)
    (finding,) = (each for each in result.findings if each.check == "dual-mono")
    assert finding.file == "Both.wav"
    assert "same samples" in lines(result)


# --- the headline follows from the findings


def test_one_small_lag_of_all_takes_is_said_once_and_everywhere_alike(
    sent: Path, tmp_path: Path
) -> None:
    """324 samples late, the same in three takes: neither 'nothing to do' nor an order for each."""
    for pitch_hz, name in ((330.0, "A.wav"), (220.0, "B.wav"), (277.0, "C.wav")):
        returns.write_new(tmp_path / "back" / name, returns.sung(pitch_hz, late=324), 0)
    result = reconcile(tmp_path / "back", sent)
    text = render_reconciliation(result)
    head = " ".join(text.partition("held against")[0].split())
    assert "Nothing" not in head
    assert "3 new files that are out of time" in head
    assert text.count("--move") == 1
    advices = {each["advice"] for each in reconciliation_json(result)["new_files"]}  # type: ignore[union-attr, index, call-overload]
    assert len(advices) == 1
    assert "Order its move" not in text


def test_what_may_be_the_room_is_a_question_in_the_headline_too(sent: Path, tmp_path: Path) -> None:
    """A loud leak, 9 ms late: headphones 3 m off do not leak so much, loudspeakers do."""
    returns.write_new(tmp_path / "back" / "A.wav", returns.sung(330.0, late=420, spill_db=-18), 0)
    result = reconcile(tmp_path / "back", sent)
    (finding,) = (each for each in result.findings if each.check == "late-entry")
    assert finding.severity == "note"
    head = " ".join(render_reconciliation(result).partition("held against")[0].split())
    assert "Nothing to decide; first ask about 1 new file that is out of time" in head


def test_a_faint_leak_comes_from_headphones(sent: Path, tmp_path: Path) -> None:
    """45 dB under the take: no loudspeaker in the room is so quiet, so the take is late."""
    returns.write_new(tmp_path / "back" / "A.wav", returns.sung(330.0, late=420, spill_db=-45), 0)
    (finding,) = (
        each for each in reconcile(tmp_path / "back", sent).findings if each.check == "late-entry"
    )
    assert finding.severity == "warn"
    assert "loudspeakers" not in finding.message


# --- what leaked may be the click; what came back may be a copy for listening


def made(package: Path, part: str) -> Planar:
    path = next(path for path in sorted(package.glob("data/**/*.wav")) if part in path.name)
    return np.asarray(soundfile.read(path, always_2d=True)[0].mean(axis=1))


@pytest.mark.parametrize(("part", "name"), [("click", "click"), ("without", "minus-one")])
def test_what_else_was_sent_is_sought_as_a_leak(
    sent: Path, tmp_path: Path, part: str, name: str
) -> None:
    """The click in a microphone tells the lateness where the mix was not in the headphones."""
    late = 700
    own = take(90, returns.SECONDS)[0]
    heard = np.concatenate([np.zeros(late), made(sent, part)])[: len(own)]
    sound = own + 0.1 * np.std(own) / np.std(heard) * heard
    returns.write_new(tmp_path / "back" / "A.wav", rounded(sound[np.newaxis]), 0)
    file = new(reconcile(tmp_path / "back", sent), "A.wav")
    assert file.late_samples == pytest.approx(late, abs=4)
    if part == "click":
        assert f"the {name} that leaked into it" in file.evidence


def test_a_dry_take_has_no_click_in_it(sent: Path, tmp_path: Path) -> None:
    for seed in range(91, 95):
        name = f"{seed}.wav"
        returns.write_new(tmp_path / "back" / name, take(seed, returns.SECONDS), 0)
    for file in reconcile(tmp_path / "back", sent).returned.new_files:
        assert file.late_samples is None, file


def test_an_mp3_of_an_original_or_beside_a_take_stops_nothing(
    sent: Path, spec: Path, tmp_path: Path
) -> None:
    back = tmp_path / "back"
    sound = returns.sung(330.0)
    returns.write_new(back / "A.wav", sound, 0)
    for name in ("A.mp3", "Piano.mp3"):
        soundfile.write(back / name, sound[0], RATE_HZ, format="MP3")
    result = reconcile(back, sent)
    found = {(each.file, each.severity) for each in result.findings if each.check == "lossy-source"}
    assert found == {("A.mp3", "note"), ("Piano.mp3", "note")}
    text = lines(result)
    assert "Piano.wav (only as a lossy copy: Piano.mp3)" in text
    assert "Nothing; accept it." in text
    accepted = accept(back, sent, Acceptance(destinations=(tmp_path / "next",)), spec)
    assert accepted.accepted is not None, [each.message for each in accepted.findings]
    assert not list(Path(accepted.accepted).glob("data/**/Piano.mp3"))


def test_a_take_that_came_only_as_an_mp3_stops_the_delivery(
    sent: Path, spec: Path, tmp_path: Path
) -> None:
    (tmp_path / "back").mkdir()
    soundfile.write(tmp_path / "back" / "New.mp3", returns.sung(330.0)[0], RATE_HZ, format="MP3")
    result = accept(tmp_path / "back", sent, Acceptance(destinations=(tmp_path / "next",)), spec)
    assert result.accepted is None


# --- the sheet that the room was asked to fill in


def test_the_filled_in_sheet_is_read(sent: Path, spec: Path, tmp_path: Path) -> None:
    back = tmp_path / "back"
    for name, pitch_hz in (("A.wav", 330.0), ("B.wav", 220.0), ("C.wav", 275.0)):
        returns.write_new(back / name, returns.sung(pitch_hz), 0)
    (back / "returned-files.csv").write_text(
        "file;part;player;take;kept_or_alternate;microphone;notes\n"
        "A.wav;solo guitar;M. Kestrel;3;kept;ribbon;the last bar is the best\n"
        "B.wav;solo guitar;M. Kestrel;2;alternate;;\n"
        "Gone.wav;;;;;;\n"
    )
    result = reconcile(back, sent)
    assert [(file.file, file.use) for file in result.returned.new_files] == [
        ("A.wav", "main"), ("B.wav", "alternate"), ("C.wav", None),
    ]  # fmt: skip
    found = {(each.check, each.severity, each.files) for each in result.findings}
    assert ("missing-file", "warn", ("Gone.wav",)) in found
    assert ("unexpected-file", "note", ("C.wav",)) in found
    text = lines(result)
    assert "kept; solo guitar; M. Kestrel; take 3; ribbon; the last bar is the best" in text
    assert "1 listed file that is not there" in text
    accepted = accept(back, sent, Acceptance(destinations=(tmp_path / "next",)), spec)
    assert accepted.accepted is not None, [each.message for each in accepted.findings]
    mixes = [
        step["parameters"]
        for each in returns.manifest_of(Path(accepted.accepted))["companions"]
        for step in each.get("operations", ())
        if step["name"] == "sum"
    ]
    assert not any("B.wav" in name for parameters in mixes for name in parameters)


def test_a_sheet_that_cannot_be_read_is_said_and_stops_nothing(sent: Path, tmp_path: Path) -> None:
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0), 0)
    (tmp_path / "returned-files.csv").write_text("who,what\nMK,guitar\n")
    result = reconcile(tmp_path, sent)
    assert any("no column 'file'" in note for note in result.notes)
