"""What came back of a delivery, from drop to the next delivery, with sound made here."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import bagit
import jsonschema
import numpy as np
import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from stemprep.app.returns.accept import Acceptance, accept
from stemprep.app.returns.reconcile import reconcile
from stemprep.errors import UsageError
from stemprep.model.reconciliation import NewFile, OriginalFate, Reconciliation
from stemprep.report import (
    reconciliation_json,
    reconciliation_schema,
    render_reconciliation,
    render_reconciliation_html,
)
from tests.cli.running import here
from tests.end_to_end import drops, returns
from tests.lineage.takes import RATE_HZ, filtered


class Room:
    """A session, the package that was sent of it, and the usual return."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.sent = returns.sent_drop(place / "Slow Ferry Home")
        self.spec = returns.spec_file(place)
        report = deliver(self.sent, self.spec, [place / "out"])
        assert report.package is not None, [each.message for each in report.findings]
        self.package = Path(report.package)
        self.returned = returns.returned_drop(place / "from the barn", self.sent)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Room:
    return Room(tmp_path_factory.mktemp("returns"))


@pytest.fixture(scope="module")
def told(room: Room) -> Reconciliation:
    before = drops.state(room.returned), drops.state(room.package)
    result = reconcile(room.returned, room.package, room.spec)
    assert (drops.state(room.returned), drops.state(room.package)) == before
    return result


def original(result: Reconciliation, source: str) -> OriginalFate:
    (found,) = (fate for fate in result.returned.originals if fate.source == source)
    return found


def new(result: Reconciliation, name: str) -> NewFile:
    (found,) = (file for file in result.returned.new_files if file.file == name)
    return found


@pytest.mark.parametrize(
    ("source", "status", "returned_as", "is_renamed"),
    [
        ("Rough Mix.wav", "identical", "Rough Mix.wav", False),
        ("Piano.wav", "identical", "Piano (1).wav", True),
        ("Drums.wav", "header-changed", "Drums.wav", False),
        ("Bass.wav", "changed", "Bass.wav", False),
        ("Guitar.wav", "missing", None, False),
    ],
)
def test_every_original_has_its_fate(
    told: Reconciliation, source: str, status: str, returned_as: str | None, is_renamed: bool
) -> None:
    fate = original(told, source)
    assert (fate.status, fate.returned_as, fate.is_renamed) == (status, returned_as, is_renamed)


def test_the_change_is_exact(told: Reconciliation) -> None:
    (region,) = original(told, "Bass.wav").regions
    assert region.kind == "gain"
    assert region.gain_db == pytest.approx(-3.0, abs=0.05)
    assert abs(region.start_sample - 200_000) <= 4
    assert abs(region.end_sample - 300_000) <= 4


@pytest.mark.parametrize(
    ("name", "start", "late"),
    [
        ("OD Choir.wav", 96_000, 0),
        ("OD Clean Gtr.wav", 48_000, 1_200),
        ("OD Lead Gtr.wav", 24_000, 0),
    ],
)
def test_new_files_lie_where_they_were_recorded(
    told: Reconciliation, name: str, start: int, late: int
) -> None:
    file = new(told, name)
    assert (file.start_sample, file.placed_by) == (start, "time-reference")
    assert file.late_samples == pytest.approx(late, abs=4)
    assert file.confidence > 0.85


def test_only_what_is_wrong_is_found(told: Reconciliation) -> None:
    found = {(each.check, each.severity, each.file) for each in told.findings}
    assert found == {
        ("original-changed", "warn", "Bass.wav"),
        ("late-entry", "warn", "OD Clean Gtr.wav"),
        ("mixed-formats", "warn", "OD Lead Gtr.wav"),
        ("original-missing", "note", original(told, "Guitar.wav").file),
        ("original-renamed", "note", "Piano (1).wav"),
    }


def test_the_record_keeps_its_schema(told: Reconciliation) -> None:
    record = reconciliation_json(told)
    jsonschema.Draft202012Validator(reconciliation_schema()).validate(record)
    assert json.loads(json.dumps(record, allow_nan=False)) == record


def test_text_fits_a_terminal_and_the_page_needs_nothing_from_outside(
    told: Reconciliation,
) -> None:
    text = render_reconciliation(told)
    assert max(map(len, text.splitlines())) <= 80
    assert "3.00 dB lower" in text
    page = render_reconciliation_html(told)
    assert page == render_reconciliation_html(told)
    assert "default-src 'none'" in page
    assert "http" not in page.replace('http-equiv="Content', "")


@pytest.fixture(scope="module")
def accepted(room: Room) -> Path:
    before = drops.state(room.package)
    order = Acceptance(destinations=(room.place / "next",), moves=("OD Clean Gtr.wav",))
    result = accept(room.returned, room.package, order, room.spec)
    assert result.accepted is not None, [each.message for each in result.findings]
    assert drops.state(room.package) == before
    return Path(result.accepted)


def output_of(package: Path, source: str) -> dict[str, object]:
    (found,) = (
        file
        for file in returns.manifest_of(package)["files"]
        if source in [each["path"] for each in file["sources"]]
    )
    return dict(found)


def test_originals_are_carried_byte_for_byte(room: Room, accepted: Path) -> None:
    assert bagit.Bag(str(accepted)).is_valid()  # RFC 8493 by its reference implementation
    sent = returns.manifest_of(room.package)["files"]
    assert len(sent) == 5
    for file in sent:
        assert (accepted / file["path"]).read_bytes() == (room.package / file["path"]).read_bytes()


@pytest.mark.parametrize(
    ("name", "pitch_hz", "start"),
    [("OD Choir", 330.0, 96_000), ("OD Clean Gtr", 220.0, 46_800), ("OD Lead Gtr", 277.0, 24_000)],
)
def test_every_new_file_stands_on_the_right_sample(
    accepted: Path, name: str, pitch_hz: float, start: int
) -> None:
    """By correlation with the take as it was made, and with the mix that leaked into it."""
    path = accepted / str(output_of(accepted, f"{name}.wav")["path"])
    sound, rate_hz = soundfile.read(path, always_2d=True)
    assert rate_hz == RATE_HZ
    late = 1_200 if name == "OD Clean Gtr" else 0
    taken = returns.sung(pitch_hz, start=start + late, late=late)[0]
    assert returns.lag_of(sound[:, 0], taken) == start
    if name != "OD Lead Gtr":
        assert np.array_equal(sound[start : start + len(taken), 0], taken[: len(sound) - start])


def test_a_move_stands_as_its_own_step_with_its_reason(accepted: Path) -> None:
    steps = output_of(accepted, "OD Clean Gtr.wav")["operations"]
    assert isinstance(steps, list)
    moved = [step for step in steps if step["name"] == "place"]
    assert [step["parameters"]["head_samples"] for step in moved] == [48_000, -1_200]
    assert "as ordered" in moved[1]["evidence"]


def test_a_changed_original_joins_as_an_alternate(accepted: Path) -> None:
    both = output_of(accepted, "Bass.wav"), output_of(accepted, "Bass_returned.wav")
    assert both[0]["path"] != both[1]["path"]
    assert "alternate of: Bass.wav" in (accepted / "data/delivery-note.txt").read_text()


def test_the_new_package_knows_those_before_it(room: Room, accepted: Path, tmp_path: Path) -> None:
    inside = returns.manifest_of(accepted)["package"]
    assert (inside["delivery"], inside["amends"]["is_return"]) == (2, True)
    assert [each["name"] for each in inside["history"]] == [room.package.name]
    returned = tmp_path / "again"
    returns.write_new(returned / "OD Bells.wav", returns.sung(410.0), 0)
    result = accept(returned, accepted, Acceptance(destinations=(tmp_path / "third",)), room.spec)
    assert result.accepted is not None
    third = returns.manifest_of(Path(result.accepted))["package"]
    assert third["delivery"] == 3
    assert [each["number"] for each in third["history"]] == [1, 2]


def test_without_an_order_nothing_is_moved(room: Room, tmp_path: Path) -> None:
    result = accept(
        room.returned, room.package, Acceptance(destinations=(tmp_path / "next",)), room.spec
    )
    assert result.accepted is not None
    steps = output_of(Path(result.accepted), "OD Clean Gtr.wav")["operations"]
    assert isinstance(steps, list)
    placed = [step["parameters"]["head_samples"] for step in steps if step["name"] == "place"]
    assert placed == [48_000]


def test_the_returns_own_sheet_may_order_the_move(room: Room, tmp_path: Path) -> None:
    returned = drops.copied(room.returned, tmp_path / "with sheet")
    (returned / "session.yaml").write_text(
        "tracks: [{file: OD Clean Gtr.wav, order: {undo_lag: true}},"
        " {file: Bass.wav, order: {work: [edit]}}]\n"
    )
    order = Acceptance(destinations=(tmp_path / "next",))
    result = accept(returned, room.package, order, room.spec)
    assert result.accepted is not None
    (changed,) = (each for each in result.findings if each.check == "original-changed")
    assert changed.severity == "note", "an ordered edit is measured, not blamed"
    steps = output_of(Path(result.accepted), "OD Clean Gtr.wav")["operations"]
    assert isinstance(steps, list)
    placed = [step["parameters"]["head_samples"] for step in steps if step["name"] == "place"]
    assert placed == [48_000, -1_200]


def test_a_move_of_a_file_without_a_lag_is_refused(room: Room, tmp_path: Path) -> None:
    returned = tmp_path / "return"
    returns.write_new(returned / "Dry.wav", returns.sung(330.0, spill_db=None), 0)
    for moves, reason in ((("Dry.wav",), "nothing shows how late"), (("Wet.wav",), "no new file")):
        order = Acceptance(destinations=(tmp_path / "next",), moves=moves)
        with pytest.raises(UsageError, match=reason):
            accept(returned, room.package, order, room.spec)
    assert not (tmp_path / "next").exists()


def test_what_cannot_be_read_stops_the_next_delivery(room: Room, tmp_path: Path) -> None:
    returned = tmp_path / "return"
    returns.write_new(returned / "A.wav", returns.sung(330.0), 0)
    (returned / "Broken.wav").write_bytes(b"RIFF\0\0\0\0WAVEjunk")
    order = Acceptance(destinations=(tmp_path / "next",))
    result = accept(returned, room.package, order, room.spec)
    assert result.accepted is None
    assert result.findings[0].check == "unreadable"
    assert not (tmp_path / "next").exists()


# --- other returns


def back(room: Room, folder: Path) -> Reconciliation:
    return reconcile(folder, room.package, room.spec)


def test_a_player_who_is_laid_back_is_not_late(room: Room, tmp_path: Path) -> None:
    """30 ms behind the beat, as played; what leaked into the microphone is on time."""
    leaked = returns.sung(330.0) - returns.sung(330.0, spill_db=None)
    played = np.roll(returns.sung(330.0, spill_db=None), 1_440, axis=1)
    returns.write_new(tmp_path / "Laid back.wav", played + leaked, 0)
    result = back(room, tmp_path)
    assert new(result, "Laid back.wav").late_samples == pytest.approx(0, abs=4)
    assert not any(each.check == "late-entry" for each in result.findings)


def test_one_lag_of_all_takes_is_the_rooms_offset(room: Room, tmp_path: Path) -> None:
    for pitch_hz, name in ((330.0, "A.wav"), (220.0, "B.wav"), (277.0, "C.wav")):
        returns.write_new(tmp_path / name, returns.sung(pitch_hz, late=1_024), 0)
    result = back(room, tmp_path)
    assert result.returned.offset is not None
    assert result.returned.offset.samples == pytest.approx(1_024, abs=4)
    (finding,) = (each for each in result.findings if each.check == "late-entry")
    assert finding.files == ("A.wav", "B.wav", "C.wav")


def test_spill_over_loudspeakers_may_be_the_way_of_the_sound(room: Room, tmp_path: Path) -> None:
    """3 m of air are 8.7 ms, 420 samples."""
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0, late=420), 0)
    (finding,) = (each for each in back(room, tmp_path).findings if each.check == "late-entry")
    assert finding.severity == "note"
    assert "loudspeakers 3.0 m" in finding.message


def test_a_file_that_says_nothing_is_placed_by_what_leaked_into_it(
    room: Room, tmp_path: Path
) -> None:
    drops.write_take(tmp_path / "A.wav", returns.sung(330.0, start=123_456), start_s=None)
    file = new(back(room, tmp_path), "A.wav")
    assert (file.placed_by, file.late_samples) == ("spill", None)
    assert file.start_sample == pytest.approx(123_456, abs=4)
    assert file.evidence == (
        "it has no time reference; the mix that leaked into it puts its start at 0:02.572"
    ), "not said to begin with the session as well"
    order = Acceptance(destinations=(tmp_path.parent / "placed",), moves=("A.wav",))
    result = accept(tmp_path, room.package, order, room.spec)
    assert result.accepted is not None
    path = Path(result.accepted) / str(output_of(Path(result.accepted), "A.wav")["path"])
    sound, _ = soundfile.read(path, always_2d=True)
    taken = returns.sung(330.0, start=123_456)[0]
    assert abs(returns.lag_of(sound[:, 0], taken) - 123_456) <= 4


def test_what_is_signed_for_does_not_count(room: Room, tmp_path: Path) -> None:
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0, late=1_200), 0)
    (tmp_path / "session.yaml").write_text(
        "waivers: [{check: late-entry, file: A.wav, reason: meant to drag, initials: MK, "
        "date: 2026-03-14}]\n"
    )
    (finding,) = (each for each in back(room, tmp_path).findings if each.check == "late-entry")
    assert finding.waived_by == "MK"
    assert not finding.counts


def test_without_a_rough_mix_the_tracks_themselves_are_listened_for(
    room: Room, tmp_path: Path
) -> None:
    sent = drops.copied(room.sent, tmp_path / "tracks alone")
    (sent / "Rough Mix.wav").unlink()
    report = deliver(sent, room.spec, [tmp_path / "out"])
    assert report.package is not None
    returns.write_new(tmp_path / "return" / "A.wav", returns.sung(330.0, late=1_200), 0)
    result = reconcile(tmp_path / "return", Path(report.package), room.spec)
    assert new(result, "A.wav").late_samples == pytest.approx(1_200, abs=4)


def test_everything_asked_back_makes_a_missing_one_a_warning(room: Room, tmp_path: Path) -> None:
    returns.write_new(tmp_path / "A.wav", returns.sung(330.0), 0)
    result = reconcile(tmp_path, room.package, room.spec, everything_asked=True)
    missing = [each for each in result.findings if each.check == "original-missing"]
    assert len(missing) == 5
    assert {each.severity for each in missing} == {"warn"}


def test_a_package_sent_back_whole_holds_nothing_new(room: Room, tmp_path: Path) -> None:
    returned = drops.copied(room.package, tmp_path / "all of it")
    result = back(room, returned)
    assert {fate.status for fate in result.returned.originals} == {"identical"}
    assert {fate.matched for fate in result.returned.originals} == {"delivered"}
    assert result.returned.new_files == ()
    assert result.findings == ()


def test_the_folder_for_returns_makes_no_effect_returns(room: Room, tmp_path: Path) -> None:
    returned = drops.copied(room.package, tmp_path / "all of it")
    returns.write_new(returned / "data/returns/A.wav", returns.sung(330.0), 0)
    assert new(back(room, returned), "data/returns/A.wav").role == "track"


def test_repacked_and_processed_versions(room: Room, tmp_path: Path) -> None:
    codes, rate_hz = soundfile.read(room.sent / "Piano.wav", dtype="int32")
    soundfile.write(tmp_path / "Piano.flac", codes, rate_hz, subtype="PCM_24")
    shutil.copyfile(room.sent / "Bass.wav", tmp_path / "Bass.wav")
    louder = returns.tracks()["Bass"] * 1.25
    drops.write_take(tmp_path / "Bass louder.wav", returns.rounded(louder))
    quieter = returns.tracks()["Drums"] * 0.5
    drops.write_take(tmp_path / "Beat.wav", returns.rounded(quieter))
    result = back(room, tmp_path)
    assert original(result, "Piano.wav").status == "rewrapped"
    assert new(result, "Bass louder.wav").derived_from == original(result, "Bass.wav").file
    drums = original(result, "Drums.wav")
    assert (drums.status, drums.returned_as, drums.is_renamed) == ("changed", "Beat.wav", True)
    assert [round(region.gain_db or 0, 2) for region in drums.regions] == [-6.02]


def test_what_is_processed_throughout_was_made_of_the_original(room: Room, tmp_path: Path) -> None:
    """A bass that went through an amplifier is a new track, and the bass is not back."""
    amplified = filtered(np.tanh(4 * returns.tracks()["Bass"]) * 0.2)
    drops.write_take(tmp_path / "Bass reamped.wav", amplified)
    result = back(room, tmp_path)
    assert original(result, "Bass.wav").status == "missing"
    made = new(result, "Bass reamped.wav")
    assert made.derived_from == original(result, "Bass.wav").file
    assert made.late_samples is None


def test_a_zip_is_read_like_a_folder(room: Room, told: Reconciliation, tmp_path: Path) -> None:
    archive = shutil.make_archive(str(tmp_path / "barn"), "zip", room.returned)
    result = back(room, Path(archive))
    assert result.returned.originals == told.returned.originals
    assert result.returned.new_files == told.returned.new_files


# --- the command


def test_the_command_line(room: Room, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    against = ("reconcile", room.returned, "--against", room.package, "--spec", room.spec)
    shown = here(capsys, *against, "--json", "-")
    assert shown.code == 0
    assert len(json.loads(shown.out)["new_files"]) == 3
    accepted = here(capsys, *against, "--accept", "--to", tmp_path / "next", "--quiet")
    assert (accepted.code, accepted.out) == (0, "")
    assert here(capsys, *against, "--accept").code == 2
    assert here(capsys, *against, "--to", tmp_path).code == 2
    assert here(capsys, *against, "--html", room.package / "r.html").code == 2
    assert here(capsys, *against, "--accept", "--to", room.returned).code == 2


def test_a_damaged_package_is_nothing_to_compare_with(
    room: Room, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    package = drops.copied(room.package, tmp_path / "package")
    path = next((package / "data/tracks").iterdir())
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    shown = here(capsys, "reconcile", room.returned, "--against", package)
    assert shown.code == 5
    assert path.name in shown.err


def test_an_archive_moves_nothing_and_says_so(room: Room, tmp_path: Path) -> None:
    report = deliver(room.sent, "archive", [tmp_path / "out"])
    assert report.package is not None
    order = Acceptance(destinations=(tmp_path / "next",), moves=("OD Clean Gtr.wav",))
    result = accept(room.returned, Path(report.package), order)
    assert result.accepted is not None
    assert any("the ordered move is not done" in note for note in result.notes)
    assert any(each.check == "late-entry" for each in result.findings)
    assert result.repaired == ()
