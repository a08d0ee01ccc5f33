"""Takes that run at another speed than the session: told, never accepted unordered, undone exactly.

The tracks' clock is known here, because soxr resampled them by the very ratio.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from stemprep.app.delivery.deliver import deliver
from stemprep.app.returns.accept import Acceptance, accept
from stemprep.app.returns.reconcile import reconcile
from stemprep.errors import UsageError
from stemprep.model.reconciliation import NewFile, Reconciliation
from stemprep.report import render_reconciliation
from tests.end_to_end import drops, returns
from tests.lineage.takes import Planar, rounded, take

RATE_HZ = returns.RATE_HZ
PULL = 1.001


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("speeds")
    drop = returns.sent_drop(place / "Slow Ferry Home")
    report = deliver(drop, returns.spec_file(place), [place / "out"])
    assert report.package is not None
    return Path(report.package)


@pytest.fixture
def spec(tmp_path: Path) -> Path:
    return returns.spec_file(tmp_path)


def played(seed: int = 70, leak_db: float | None = -28.0) -> Planar:
    """A take of the whole session; shape (frames,)."""
    own = 0.6 * take(seed, returns.SECONDS)[0]
    if leak_db is None:
        return own
    heard = returns.mix().mean(axis=0)
    return np.asarray(own + 10 ** (leak_db / 20) * np.std(own) / np.std(heard) * heard)


def stretched(sound: Planar, ratio: float) -> Planar:
    return np.asarray(soxr.resample(sound, RATE_HZ, RATE_HZ * ratio, quality="VHQ"))


def below_15_khz(sound: Planar) -> Planar:
    """What two conversions leave whole: their filters end below half the rate."""
    spectrum = np.fft.rfft(sound)
    spectrum[np.fft.rfftfreq(len(sound), 1 / RATE_HZ) > 15_000] = 0
    return np.fft.irfft(spectrum, len(sound))


def write(folder: Path, name: str, sound: Planar, *, stamp: int = drops.START_S * RATE_HZ) -> None:
    drops.write_take(folder / name, rounded(np.atleast_2d(sound)), start_s=stamp / RATE_HZ)


def new(result: Reconciliation, name: str = "A.wav") -> NewFile:
    (found,) = (file for file in result.returned.new_files if file.file == name)
    return found


@pytest.mark.parametrize(
    ("ratio", "cause", "words"),
    [
        (PULL, "pull", "between 1,000 and 1,001"),
        (1 / PULL, "pull", "between 1,000 and 1,001"),
        (44_100 / 48_000, "label", "sound of 44.1 kHz under a header that says 48 kHz"),
        (1.0002, "clock", "without a common word clock"),
    ],
)
def test_another_speed_is_told_with_ratio_and_cause(
    sent: Path, tmp_path: Path, ratio: float, cause: str, words: str
) -> None:
    write(tmp_path / "back", "A.wav", stretched(played(), ratio))
    result = reconcile(tmp_path / "back", sent)
    speed = new(result).speed
    assert speed is not None
    assert speed.cause == cause
    assert speed.ratio == pytest.approx(ratio, abs=speed.error_ppm * 1e-6)
    (finding,) = (each for each in result.findings if each.check == "wrong-speed")
    assert (finding.severity, finding.file) == ("warn", "A.wav")
    assert words in finding.message
    assert f"lasts {speed.ratio:.6f} times as long" in finding.message
    text = " ".join(render_reconciliation(result).split())
    assert "1 new file at another speed" in text
    assert "Nothing; accept it" not in text


def test_without_a_leak_the_length_of_the_session_tells(sent: Path, tmp_path: Path) -> None:
    write(tmp_path / "back", "A.wav", stretched(played(leak_db=None), PULL))
    result = reconcile(tmp_path / "back", sent)
    speed = new(result).speed
    assert speed is not None
    assert (speed.evidence, speed.cause) == ("length", "pull")
    (finding,) = (each for each in result.findings if each.check == "wrong-speed")
    assert "by its length alone" in finding.message


@pytest.mark.parametrize("leak_db", [-28.0, None])
def test_a_take_at_the_sessions_speed_is_not_doubted(
    sent: Path, tmp_path: Path, leak_db: float | None
) -> None:
    write(tmp_path / "back", "A.wav", played(leak_db=leak_db))
    result = reconcile(tmp_path / "back", sent)
    assert new(result).speed is None
    assert not any(each.check == "wrong-speed" for each in result.findings)


def test_a_stamp_counted_at_the_true_rate_is_read_as_meant(sent: Path, tmp_path: Path) -> None:
    """An hour at 44.1 kHz, under a header that says 48 kHz: by its label outside the session."""
    sound = stretched(played(), 44_100 / 48_000)
    write(tmp_path / "back", "A.wav", sound, stamp=drops.START_S * 44_100)
    file = new(reconcile(tmp_path / "back", sent))
    assert (file.start_sample, file.placed_by) == (0, "time-reference")
    assert file.speed is not None
    assert file.speed.cause == "label"


def test_it_is_accepted_only_by_order_and_others_keep_their_length(
    sent: Path, spec: Path, tmp_path: Path
) -> None:
    back = tmp_path / "back"
    write(back, "A.wav", stretched(played(), PULL))
    order = Acceptance(destinations=(tmp_path / "next",))
    refused = accept(back, sent, order, spec)
    assert refused.accepted is None
    (finding,) = (each for each in refused.findings if each.check == "wrong-speed")
    assert finding.severity == "fail"
    (back / "session.yaml").write_text("tracks: [{file: A.wav, order: {undo_stretch: true}}]\n")
    result = accept(back, sent, order, spec)
    assert result.accepted is not None, [each.message for each in result.findings]
    assert not any(each.check == "wrong-speed" for each in result.findings)
    (file,) = (
        each
        for each in returns.manifest_of(Path(result.accepted))["files"]
        if each["sources"][0]["path"] == "A.wav"
    )
    assert {
        each["facts"]["frames"] for each in returns.manifest_of(Path(result.accepted))["files"]
    } == {returns.FRAMES}
    (step,) = (each for each in file["operations"] if each["name"] == "convert-rate")
    assert step["parameters"]["true_hz"] == pytest.approx(RATE_HZ * PULL)
    sound, _ = soundfile.read(Path(result.accepted) / file["path"], always_2d=True)
    left = below_15_khz(sound[:, 0] - played())
    assert 20 * math.log10(np.std(left) / np.std(below_15_khz(played()))) < -80


def test_an_order_to_undo_what_was_not_found_is_refused(
    sent: Path, spec: Path, tmp_path: Path
) -> None:
    back = tmp_path / "back"
    write(back, "A.wav", played())
    (back / "session.yaml").write_text("tracks: [{file: A.wav, order: {undo_stretch: true}}]\n")
    with pytest.raises(UsageError, match="not found to run at another one"):
        accept(back, sent, Acceptance(destinations=(tmp_path / "next",)), spec)


def test_a_move_that_only_corrects_the_stamp_stands_in_the_manifest(
    sent: Path, spec: Path, tmp_path: Path
) -> None:
    """Its first sample is the session's, its time reference says a second earlier."""
    back = tmp_path / "back"
    write(back, "A.wav", played(), stamp=(drops.START_S - 1) * RATE_HZ)
    order = Acceptance(destinations=(tmp_path / "next",), moves=("A.wav",))
    result = accept(back, sent, order, spec)
    assert result.accepted is not None, [each.message for each in result.findings]
    (file,) = (
        each
        for each in returns.manifest_of(Path(result.accepted))["files"]
        if each["sources"][0]["path"] == "A.wav"
    )
    steps = [each for each in file["operations"] if each["name"] == "place"]
    assert steps
    assert "as ordered on the command line" in steps[-1]["evidence"]
    assert file["facts"]["time_reference_samples"] == drops.START_S * RATE_HZ
    sound, _ = soundfile.read(Path(result.accepted) / file["path"], always_2d=True)
    assert returns.lag_of(sound[:, 0], played()) == pytest.approx(0, abs=4)
