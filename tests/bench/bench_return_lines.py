"""Whole returns, seeded: is every line that is said of them right, or called not known?

Run: python -m tests.bench.bench_return_lines --seed 1 --rounds 2

One package of a made-up session is sent; each return of it is one kind of what rooms send back. A
line is right, 'not known', or wrong; what is wrong is printed with its words.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
import soxr

from stemprep.app.delivery.deliver import deliver
from stemprep.app.returns.reconcile import reconcile
from stemprep.model.reconciliation import NewFile, Reconciliation
from stemprep.report import render_reconciliation
from stemprep.units import ratio_from_db
from tests.end_to_end import drops
from tests.lineage.takes import RATE_HZ, Planar, rounded, take

SECONDS = 45.0
FRAMES = round(SECONDS * RATE_HZ)
NAMES = ("Drums", "Bass", "Guitar", "Piano")
NEAR_SAMPLES = 6
SPEC = "extends: overdub\ncontents: {companions: [minus-ones, click]}\n"
SHEET = """\
artist: The Quillmoor Lantern Band
title: Slow Ferry Home
songs:
  - title: Slow Ferry Home
    bar_1: {samples: 172896000}
    tempo_map: [{bar: 1, tempo_bpm: 120, meter: 4/4}]
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of one new file; None: not looked at.

    speed: how many times as long it lasts; checks: findings that it needs; start: None where no
    one could know.
    """

    start: int | None = 0
    late: int = 0
    speed: float = 1.0
    checks: frozenset[str] = frozenset()
    is_start_open: bool = False


@dataclass(slots=True)
class Sent:
    """The package and what was played to."""

    package: Path
    drop: Path
    mix: Planar
    click: Planar
    minus: Planar


@dataclass(slots=True)
class Built:
    """A return, and what is true of it; states: by source name of an original."""

    folder: Path
    truths: dict[str, Truth] = field(default_factory=dict)
    states: dict[str, str] = field(default_factory=dict)
    words: tuple[str, ...] = ()


def tracks() -> dict[str, Planar]:
    """Four tracks of the session; shape (1, frames) each."""
    return {name: take(seed, SECONDS) for seed, name in enumerate(NAMES, start=1)}


def send(place: Path) -> Sent:
    """Deliver the session to the other room."""
    drop = place / "Slow Ferry Home"
    parts = tracks()
    for name, sound in parts.items():
        drops.write_take(drop / f"{name}.wav", sound)
    mix = rounded(np.repeat(np.asarray(sum(parts.values())) * 0.5, 2, axis=0))
    drops.write_take(drop / "Rough Mix.wav", mix)
    (drop / "session.yaml").write_text(SHEET)
    (place / "spec.yaml").write_text(SPEC)
    report = deliver(drop, place / "spec.yaml", [place / "out"])
    assert report.package is not None, [each.message for each in report.findings]
    package = Path(report.package)
    made = {path.name: path for path in package.glob("data/**/*.wav")}
    minus = next(path for name, path in sorted(made.items()) if "without" in name)
    return Sent(
        package=package,
        drop=drop,
        mix=mix.mean(axis=0),
        click=soundfile.read(made["click.wav"], always_2d=True)[0].mean(axis=1),
        minus=soundfile.read(minus, always_2d=True)[0].mean(axis=1),
    )


def played(
    rng: np.random.Generator, heard: Planar | None, leak_db: float = -30.0, *, late: int = 0
) -> Planar:
    """A take of the whole session, what was heard leaking into it; shape (frames,)."""
    own = take(int(rng.integers(1_000, 9_000)), SECONDS)[0]
    if heard is None:
        return own
    leak = np.zeros(FRAMES)
    leak[late:] = heard[: FRAMES - late]
    return own + ratio_from_db(leak_db) * np.std(own) / np.std(leak) * leak


def stretched(sound: Planar, ratio: float) -> Planar:
    return np.asarray(soxr.resample(sound, RATE_HZ, RATE_HZ * ratio, quality="VHQ"))


def put(
    built: Built,
    name: str,
    sound: Planar,
    truth: Truth,
    *,
    start: int | None = 0,
    rate_hz: int = RATE_HZ,
    stamp: int | None = None,
) -> None:
    """Write a take; start: its time reference from the session's start, None: it has none."""
    start_s = None if start is None else drops.START_S + start / RATE_HZ
    if stamp is not None:
        start_s = stamp / rate_hz
    sound = np.atleast_2d(sound)
    drops.write_take(built.folder / name, rounded(sound * 0.7), rate_hz=rate_hz, start_s=start_s)
    built.truths[name] = truth


Kind = Callable[[Built, Sent, np.random.Generator], None]
KINDS: dict[str, Kind] = {}


def kind(maker: Kind) -> Kind:
    KINDS[maker.__name__.strip("_").replace("_", " ")] = maker
    return maker


def _leak(rng: np.random.Generator) -> float:
    return float(rng.uniform(-50, -20))


@kind
def _stamped_on_time(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    start = int(rng.integers(0, 10 * RATE_HZ))
    put(built, "A.wav", played(rng, sent.mix, _leak(rng))[start:], Truth(start=start), start=start)


@kind
def _stamped_late(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    late = int(rng.integers(150, 3_000))
    truth = Truth(late=late)
    put(built, "A.wav", played(rng, sent.mix, _leak(rng), late=late), truth)


@kind
def _stamped_and_dry(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    put(built, "A.wav", played(rng, None)[RATE_HZ:], Truth(start=RATE_HZ), start=RATE_HZ)


@kind
def _stamp_a_second_early(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    start = 5 * RATE_HZ
    sound = played(rng, sent.mix, float(rng.uniform(-34, -20)))[start:]
    put(built, "A.wav", sound, Truth(start=start - RATE_HZ, late=-RATE_HZ), start=start - RATE_HZ)


@kind
def _cropped_without_stamp_with_leak(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    start = int(rng.integers(RATE_HZ, 15 * RATE_HZ))
    sound = played(rng, sent.mix, _leak(rng))[start : start + 25 * RATE_HZ]
    put(built, "A.wav", sound, Truth(start=start, is_start_open=True), start=None)


@kind
def _cropped_without_stamp_and_dry(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    start = int(rng.integers(RATE_HZ, 15 * RATE_HZ))
    truth = Truth(start=None, checks=frozenset({"unplaced"}))
    put(built, "A.wav", played(rng, None)[start : start + 25 * RATE_HZ], truth, start=None)


@kind
def _whole_without_stamp_and_dry(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    put(built, "A.wav", played(rng, None), Truth(), start=None)


@kind
def _whole_without_stamp_and_late(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    late = int(rng.integers(150, 3_000))
    put(built, "A.wav", played(rng, sent.mix, _leak(rng), late=late), Truth(late=late), start=None)


@kind
def _four_of_one_lag(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    late = int(rng.integers(110, 700))
    for name in "ABCD":
        sound = played(rng, sent.mix, float(rng.uniform(-35, -20)), late=late)
        put(built, f"{name}.wav", sound, Truth(late=late, checks=frozenset({"late-entry"})))
    built.words = ("4 new files that are out of time",)


@kind
def _at_44_1_khz(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    late = int(rng.integers(0, 600))
    sound = soxr.resample(played(rng, sent.mix, _leak(rng), late=late), RATE_HZ, 44_100)
    truth = Truth(late=late, checks=frozenset({"mixed-formats"}))
    put(built, "A.wav", sound, truth, rate_hz=44_100)


@kind
def _44_1_khz_labelled_48(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    sound = soxr.resample(played(rng, sent.mix, float(rng.uniform(-35, -20))), RATE_HZ, 44_100)
    truth = Truth(speed=0.91875, checks=frozenset({"wrong-speed"}))
    put(built, "A.wav", sound, truth, stamp=int(rng.choice([drops.START_S * 44_100, 172_800_000])))


@kind
def _44_1_khz_labelled_48_dry(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    sound = soxr.resample(played(rng, None), RATE_HZ, 44_100)
    put(built, "A.wav", sound, Truth(speed=0.91875, checks=frozenset({"wrong-speed"})))


@kind
def _pulled_by_1_001(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    ratio = float(rng.choice([1.001, 1 / 1.001]))
    sound = stretched(played(rng, sent.mix, float(rng.uniform(-35, -20))), ratio)
    put(built, "A.wav", sound, Truth(speed=ratio, checks=frozenset({"wrong-speed"})))


@kind
def _pulled_by_1_001_dry(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    sound = stretched(played(rng, None), 1.001)
    truth = Truth(speed=1.001, checks=frozenset({"wrong-speed"}))
    put(built, "A.wav", sound, truth, start=None if rng.random() < 0.5 else 0)


@kind
def _clock_off(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    ppm = float(rng.choice([15, 30, 60, 120]) * rng.choice([-1, 1]))
    late = int(rng.integers(0, 400))
    sound = stretched(played(rng, sent.mix, float(rng.uniform(-40, -20)), late=late), 1 + ppm / 1e6)
    put(built, "A.wav", sound, Truth(late=late, speed=1 + ppm / 1e6))


@kind
def _varispeed(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    ratio = 1 + float(rng.uniform(0.005, 0.06) * rng.choice([-1, 1]))
    put(built, "A.wav", stretched(played(rng, sent.mix, -25), ratio), Truth(speed=ratio))


@kind
def _silent(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    truth = Truth(start=None, is_start_open=True, checks=frozenset({"silent-file"}))
    put(built, "A.wav", np.zeros(FRAMES // 2), truth, start=None if rng.random() < 0.5 else 0)


@kind
def _equal_sides(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    sound = np.repeat(played(rng, sent.mix, _leak(rng))[np.newaxis], 2, axis=0)
    put(built, "A.wav", sound, Truth(checks=frozenset({"dual-mono"})))


@kind
def _click_leaks(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    late = int(rng.integers(150, 2_000))
    put(built, "A.wav", played(rng, sent.click, -20, late=late), Truth(late=late))


@kind
def _minus_one_leaks(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    late = int(rng.integers(150, 2_000))
    put(built, "A.wav", played(rng, sent.minus, _leak(rng), late=late), Truth(late=late))


@kind
def _renamed_original(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    name = str(rng.choice(NAMES))
    shutil.copyfile(sent.drop / f"{name}.wav", built.folder / "Something Else.wav")
    built.states[f"{name}.wav"] = "identical"


@kind
def _mp3_of_an_original(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    name = str(rng.choice(NAMES))
    source = sent.drop / f"{name}.wav"
    sound, rate_hz = soundfile.read(source)
    soundfile.write(built.folder / f"{name}.mp3", sound, rate_hz, format="MP3")
    built.states[f"{name}.wav"] = "missing"
    built.words = (f"{name}.wav (only as a lossy copy: {name}.mp3)",)


@kind
def _mp3_beside_a_take(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    sound = played(rng, sent.mix, -25)
    put(built, "A.wav", sound, Truth())
    soundfile.write(built.folder / "A.mp3", sound * 0.7, RATE_HZ, format="MP3")


@kind
def _second_version_of_an_original(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    name = str(rng.choice(NAMES))
    sound = tracks()[name].copy()
    sound[:, 400_000:600_000] *= 0.7
    drops.write_take(built.folder / f"{name}_v2.wav", rounded(sound))
    built.states[f"{name}.wav"] = "changed"


@kind
def _lowered_original(built: Built, sent: Sent, rng: np.random.Generator) -> None:
    name = str(rng.choice(NAMES))
    sound = tracks()[name] * ratio_from_db(-float(rng.uniform(0.3, 6)))
    drops.write_take(built.folder / f"{name}.wav", rounded(sound))
    built.states[f"{name}.wav"] = "changed"


def build(name: str, folder: Path, sent: Sent, rng: np.random.Generator) -> tuple[Built, Path]:
    """One return, sometimes zipped."""
    folder.mkdir(parents=True)
    built = Built(folder=folder)
    KINDS[name](built, sent, rng)
    if rng.random() < 0.2:
        return built, Path(shutil.make_archive(str(folder), "zip", folder))
    return built, folder


def lines_of(built: Built, result: Reconciliation) -> Iterator[tuple[str, str]]:
    """(verdict, what of) for everything that is said: right, not known, wrong."""
    new = {file.file: file for file in result.returned.new_files}
    found = {(each.check, path) for each in result.findings for path in each.files}
    for name, truth in built.truths.items():
        if name not in new:
            yield "wrong", f"{name} is not among the new files"
            continue
        yield from _of_take(new[name], truth, {check for check, path in found if path == name})
    for source, state in built.states.items():
        (fate,) = (each for each in result.returned.originals if each.source == source)
        verdict = "right" if fate.status == state else "wrong"
        yield verdict, f"{source} is {fate.status}, in truth {state}"
    text = " ".join(render_reconciliation(result).split())
    for words in built.words:
        yield ("right" if words in text else "wrong"), f"'{words}' is said"
    head, _, rest = text.partition("held against")
    contradicts = "Nothing; accept it" in head and "--move" in rest
    yield ("wrong" if contradicts else "right"), "the headline agrees with the lines"


def _of_take(file: NewFile, truth: Truth, checks: set[str]) -> Iterator[tuple[str, str]]:
    if file.start_sample is None:
        is_open = truth.start is None or truth.is_start_open
        yield ("not known" if is_open else "wrong"), "start is not known"
    elif truth.start is None and not truth.is_start_open:
        yield "wrong", f"start {file.start_sample} of a file of which nobody knows it"
    elif truth.start is not None:
        is_right = abs(file.start_sample - truth.start) <= NEAR_SAMPLES
        yield ("right" if is_right else "wrong"), f"start {file.start_sample}, true {truth.start}"
    yield _of_lag(file, truth)
    yield _of_speed(file, truth)
    for check in truth.checks:
        yield ("right" if check in checks else "wrong"), f"{check} is found"
    for check in ("wrong-speed", "unplaced", "silent-file", "dual-mono"):
        if (
            check in checks
            and check not in truth.checks
            and not (check == "wrong-speed" and truth.speed != 1.0)
            and not (check == "unplaced" and truth.is_start_open)
        ):
            yield "wrong", f"{check} is found without cause"


def _of_lag(file: NewFile, truth: Truth) -> tuple[str, str]:
    if file.late_samples is None:
        return "not known", f"lag (true {truth.late})"
    is_right = abs(file.late_samples - truth.late) <= NEAR_SAMPLES
    return ("right" if is_right else "wrong"), f"lag {file.late_samples}, true {truth.late}"


def _of_speed(file: NewFile, truth: Truth) -> tuple[str, str]:
    if file.speed is None:
        drift = abs(truth.speed - 1) * FRAMES
        is_claimed = file.late_samples is not None and drift > NEAR_SAMPLES
        return ("wrong" if is_claimed else "not known" if drift else "right"), (
            f"no other speed (true {truth.speed:.7f})"
        )
    apart_ppm = abs(file.speed.ratio / truth.speed - 1) * 1e6
    is_right = apart_ppm <= max(1.5, 1.5 * file.speed.error_ppm)
    return ("right" if is_right else "wrong"), (
        f"speed {file.speed.ratio:.7f}, true {truth.speed:.7f}"
    )


def run(seed: int, rounds: int, only: str | None, *, is_loud: bool) -> Mapping[str, Counter[str]]:
    """Verdicts per kind."""
    table: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        sent = send(place / "here")
        for number in range(rounds):
            for index, what in enumerate(KINDS):
                if only is not None and only not in what:
                    continue
                rng = np.random.default_rng([seed, number, index])
                built, back = build(what, place / f"{number}-{index}", sent, rng)
                result = reconcile(back, sent.package)
                counts = table.setdefault(what, Counter(returns=0))
                counts["returns"] += 1
                for verdict, words in lines_of(built, result):
                    counts[verdict] += 1
                    if verdict == "wrong" or is_loud:
                        print(f"{verdict}: {what} {number}: {words}", flush=True)
                if is_loud or counts["wrong"]:
                    for file in result.returned.new_files:
                        print(f"    {file.file}: {file.evidence}", flush=True)
                shutil.rmtree(built.folder)
                if back.is_file():
                    back.unlink()
    return table


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--only")
    parser.add_argument("--loud", action="store_true")
    options = parser.parse_args()
    table = run(options.seed, options.rounds, options.only, is_loud=options.loud)
    total: Counter[str] = Counter()
    print(f"{'kind':36} returns  right  not known  wrong")
    for what, counts in table.items():
        total += counts
        print(_row(what, counts))
    print(_row("all", total))


def _row(what: str, counts: Mapping[str, int]) -> str:
    return (
        f"{what:36} {counts['returns']:7} {counts.get('right', 0):6} "
        f"{counts.get('not known', 0):10} {counts.get('wrong', 0):6}"
    )


if __name__ == "__main__":
    main()
