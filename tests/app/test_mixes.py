"""Rough mixes and minus-ones of a package against sums made here, by numpy in float64."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stemprep.app.delivery.deliver import deliver, plan
from stemprep.engine import InlineEngine
from tests import signals
from tests.app.mix_drops import Floats, make_drop, sound_of

STEP = 2.0**-23
PARTS = {  # what the sheet of mix_drops says: level in dB, pan
    "tracks/Bass Amp.wav": (-8, 0),
    "tracks/Choir.wav": (-8, 0),
    "effect-returns/Lead Vox Verb.wav": (-12, -100),
    "tracks/Gtr.wav": (-2, -50),
    "tracks/Kick In.wav": (-3, 0),
    "tracks/Lead Vox.wav": (-8, 0),
    "tracks/Overheads.wav": (-6.5, 40),
}
VOCALS = {"tracks/Choir.wav", "tracks/Lead Vox.wav", "effect-returns/Lead Vox Verb.wav"}


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("mixes")
    drop = make_drop(place / "drop")
    report = deliver(drop, "overdub", [place / "out"], engine=InlineEngine())
    assert report.package is not None
    return Path(report.package)


def payload(package: Path, name: str) -> Path:
    """A file of the payload by its name without order number."""
    folder, _, last = name.rpartition("/")
    found = [
        path
        for path in (package / "data" / folder).iterdir()
        if path.name == last or path.name[3:] == last
    ]
    assert len(found) == 1, name
    return found[0]


def independent_sum(package: Path, without: frozenset[str] | set[str] = frozenset()) -> Floats:
    """The stated sum, written out anew: constant power for mono, balance for stereo."""
    total = np.zeros((2, 96_000))
    for name, (level_db, pan) in sorted(PARTS.items()):
        if name in without:
            continue
        sound = 10 ** (level_db / 20) * sound_of(payload(package, name))
        if len(sound) == 1:
            angle = (pan / 100 + 1) * math.pi / 4
            total += np.array([[math.cos(angle)], [math.sin(angle)]]) * sound
        else:
            far = math.cos(abs(pan) / 100 * math.pi / 2)
            total += np.array([[far if pan > 0 else 1.0], [far if pan < 0 else 1.0]]) * sound
    return total


def manifest_entry(package: Path, path: Path) -> dict[str, Any]:
    """What the manifest tells of a file."""
    manifest = json.loads((package / "data/manifest.json").read_text())
    wanted = path.relative_to(package).as_posix()
    (entry,) = [file for file in manifest["files"] if file["path"] == wanted]
    return dict(entry)


def gain_db(package: Path, path: Path) -> float:
    """The gain that the manifest states."""
    steps = manifest_entry(package, path)["operations"]
    return float(next(s["parameters"]["gain_db"] for s in steps if s["name"] == "gain"))


def test_the_rough_mix_is_the_stated_sum_with_the_stated_gain(package: Path) -> None:
    mix = payload(package, "rough-mixes/Rough mix.wav")
    expected = independent_sum(package) * 10 ** (gain_db(package, mix) / 20)
    difference = np.abs(sound_of(mix) - expected)
    # TPDF dither and rounding: 1.5 steps of 24 bits; the processing runs in 32-bit float.
    assert difference.max() <= 1.5 * STEP + 2.0**-24
    assert np.abs(expected).max() > 0.1


def test_a_minus_one_and_what_it_leaves_out_add_up_to_the_mix(package: Path) -> None:
    mix = payload(package, "rough-mixes/Rough mix.wav")
    minus = payload(package, "minus-ones/Rough mix without vocals.wav")
    assert gain_db(package, mix) == gain_db(package, minus)
    left_out = independent_sum(package) - independent_sum(package, VOCALS)
    ratio = 10 ** (gain_db(package, mix) / 20)
    residual = sound_of(mix) - sound_of(minus) - ratio * left_out
    assert np.abs(residual).max() <= 3 * STEP + 2.0**-23  # two dithered files
    assert np.abs(ratio * left_out).max() > 0.05


def test_every_player_can_be_left_out(package: Path) -> None:
    names = sorted(path.name for path in (package / "data/minus-ones").iterdir())
    assert [name.rpartition(" without ")[2] for name in names] == [
        "bass.wav",
        "drums.wav",
        "guitars.wav",
        "vocals.wav",
    ]


def test_what_has_no_place_in_a_mix_is_not_in_it(package: Path) -> None:
    entry = manifest_entry(package, payload(package, "rough-mixes/Rough mix.wav"))
    added = entry["operations"][0]["parameters"]
    parts = [name for name in added if name.endswith(".wav")]
    assert added["files"] == len(parts) == len(PARTS)
    told = " ".join(parts)
    for name in ("Bass DI", "Choir dry", "Guide", "Click", "Talkback", "take 2"):
        assert name not in told


def test_loudness_is_moderate_and_no_peak_is_over(package: Path) -> None:
    """One gain for all: either the mix is at -18 LUFS or one of the files is at -1 dBTP."""
    made = [*(package / "data/rough-mixes").iterdir(), *(package / "data/minus-ones").iterdir()]
    facts = [manifest_entry(package, path)["facts"] for path in made]
    loudness_lufs = facts[0]["loudness_lufs"]
    highest_dbtp = max(each["true_peak_dbtp"] for each in facts)
    assert loudness_lufs <= -17.95
    assert highest_dbtp <= -0.95
    assert loudness_lufs == pytest.approx(-18, abs=0.05) or highest_dbtp == pytest.approx(
        -1, abs=0.05
    )


def test_without_levels_it_is_an_unbalanced_sum(tmp_path: Path) -> None:
    drop = make_drop(tmp_path / "drop", levels="")
    planned = plan(drop, "overdub", engine=InlineEngine()).plan
    assert planned is not None
    (mix,) = [each for each in planned.companions if each.kind == "rough-mix"]
    assert mix.path.endswith("Unbalanced sum.wav")
    assert "gives none" in mix.words


@pytest.mark.parametrize("name", ["Rough Mix.wav", "Slow Ferry Home MIX.wav"])
def test_a_supplied_mix_is_used_as_it_is(tmp_path: Path, name: str) -> None:
    drop = make_drop(tmp_path / "drop")
    signals.write_wav(drop / name, signals.noise(peak_dbfs=-6, seconds=2, channels=2))
    planned = plan(drop, "overdub", engine=InlineEngine()).plan
    assert planned is not None
    assert not [each for each in planned.companions if each.kind == "rough-mix"]
    assert [each for each in planned.companions if each.kind == "minus-ones"]


def test_the_same_drop_gives_the_same_mixes(package: Path, tmp_path: Path) -> None:
    drop = make_drop(tmp_path / "drop")
    again = deliver(drop, "overdub", [tmp_path / "out"], engine=InlineEngine()).package
    assert again is not None
    for folder in ("rough-mixes", "minus-ones"):
        for path in (package / "data" / folder).iterdir():
            assert (Path(again) / "data" / folder / path.name).read_bytes() == path.read_bytes()


@pytest.mark.parametrize("is_summing", [True, False])
def test_stems_that_add_up_to_the_mix_are_its_balance(tmp_path: Path, is_summing: bool) -> None:
    """The null test proves the levels that the sheet does not state."""
    drop = tmp_path / "drop"
    drop.mkdir()
    stems = {
        name: signals.noise(peak_dbfs=-14, seconds=2, channels=2, seed=seed)
        for seed, name in enumerate(("DRUMS", "BASS", "VOX"))
    }
    for name, sound in stems.items():
        signals.write_wav(drop / f"Song_{name}.wav", sound)
    mix = (
        sum(stems.values())
        if is_summing
        else signals.noise(peak_dbfs=-6, seconds=2, channels=2, seed=9)
    )
    signals.write_wav(drop / "Song_MIX.wav", np.asarray(mix))
    package = deliver(drop, "overdub", [tmp_path / "out"], engine=InlineEngine()).package
    assert package is not None
    title = "Rough mix" if is_summing else "Unbalanced sum"
    minus = Path(package) / "data/minus-ones" / f"{title} without vocals.wav"
    ratio = 10 ** (gain_db(Path(package), minus) / 20)
    expected = ratio * (stems["DRUMS"] + stems["BASS"])
    assert np.abs(sound_of(minus) - expected).max() < 4 * STEP
