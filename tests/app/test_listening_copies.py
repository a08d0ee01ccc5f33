"""Listening copies decode, sound like their originals, and are marked as what they are."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.app.delivery.deliver import deliver
from stemprep.containers import read_header
from stemprep.engine import InlineEngine
from stemprep.errors import DeliveryError
from stemprep.package import StagedFile
from stemprep.work import listening
from stemprep.work.listening import ListeningJob, coded_rate_hz, make_listening_copy
from tests import signals
from tests.app.mix_drops import make_drop, sound_of
from tests.package.staged import staged

FOLDER = "listening-copies-not-for-import"


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("copies")
    drop = make_drop(place / "drop")
    report = deliver(drop, "overdub", [place / "out"], engine=InlineEngine())
    assert report.package is not None
    return Path(report.package)


def test_every_mix_has_a_copy_that_decodes_to_it(package: Path) -> None:
    """Libsndfile decodes with mpg123, which has no part in writing and takes the delay out."""
    mixes = [*(package / "data/rough-mixes").iterdir(), *(package / "data/minus-ones").iterdir()]
    copies = {path.stem: path for path in (package / "data" / FOLDER).iterdir()}
    assert {path.stem for path in mixes} == set(copies)
    for mix in mixes:
        original, copy = sound_of(mix), sound_of(copies[mix.stem])
        assert copy.shape == original.shape
        assert np.corrcoef(copy[0], original[0])[0, 1] > 0.99


def test_copies_are_marked_for_listening_with_a_caution(package: Path) -> None:
    manifest = json.loads((package / "data/manifest.json").read_text())
    told = [each for each in manifest["companions"] if each["kind"] == "listening-copies"]
    assert told
    for each in told:
        assert each["path"].startswith(f"{FOLDER}/")
        assert "do not import it" in each["words"]
        assert "headphones" in each["words"]


def _job(
    folder: Path, *, rate_hz: int = 48_000, peak_dbfs: float = -3, channels: int = 1
) -> ListeningJob:
    sound = signals.sine(440, peak_dbfs=peak_dbfs, seconds=1, rate_hz=rate_hz, channels=channels)
    path = signals.write_wav(folder / "mix.wav", sound, rate_hz=rate_hz)
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, path.name)
    return ListeningJob(
        file=staged(path),
        header=header,
        path="mix.mp3",
        target=staged(folder / "mix.mp3"),
        true_peak_dbtp=peak_dbfs,
    )


@pytest.mark.parametrize(
    ("rate_hz", "coded_hz"),
    [(48_000, 48_000), (96_000, 48_000), (88_200, 44_100), (22_050, 44_100)],
)
def test_rates_that_no_coder_takes_are_converted(
    tmp_path: Path, rate_hz: int, coded_hz: int
) -> None:
    make_listening_copy(_job(tmp_path, rate_hz=rate_hz))
    copy = soundfile.info(tmp_path / "mix.mp3")
    assert copy.samplerate == coded_hz == coded_rate_hz(rate_hz)
    assert copy.frames / copy.samplerate == pytest.approx(1.0, abs=0.001)


def test_a_loud_mix_is_turned_down_by_one_gain(tmp_path: Path) -> None:
    make_listening_copy(_job(tmp_path, peak_dbfs=0.0))
    heard = sound_of(tmp_path / "mix.mp3")[0, 10_000:-10_000]
    assert 20 * np.log10(np.abs(heard).max()) == pytest.approx(-1.0, abs=0.1)


def test_a_copy_that_does_not_decode_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaging(target: StagedFile) -> tuple[str, str, int]:
        Path(target.path).write_bytes(b"not an mp3" * 100)
        return "", "", 1000

    monkeypatch.setattr(listening, "_hashes", damaging)
    with pytest.raises(DeliveryError, match=r"mix\.mp3"):
        make_listening_copy(_job(tmp_path))


def test_a_copy_that_lost_its_end_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def cutting(target: StagedFile) -> tuple[str, str, int]:
        content = Path(target.path).read_bytes()
        Path(target.path).write_bytes(content[: len(content) // 2])
        return "", "", 1000

    monkeypatch.setattr(listening, "_hashes", cutting)
    with pytest.raises(DeliveryError, match=r"mix\.mp3"):
        make_listening_copy(_job(tmp_path))
