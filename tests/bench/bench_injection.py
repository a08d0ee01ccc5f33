"""Recall, false alarms and position errors of the checks of sound, by injected faults.

    python -m tests.bench.bench_injection [--half tune|report] [--rounds N] [--hours H]
        [--from-round N] [--kinds KIND ...] [--damages N] [--missed]

Clean sound is generated, and read from ../shared/sessions where that is present. Even seeds are
for tuning, odd ones for the report; seeds that led to a fix are no longer held out, and
``--from-round`` takes fresh ones. Prints recall against strength for each kind of fault,
every false alarm on clean sound with file and sample, and how far found places are off.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: one worker, one thread

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from stemprep.checks import judge
from stemprep.model.finding import Finding
from stemprep.model.rule import DeliverySpec
from stemprep.spec import load_spec
from tests.bench.clean_sound import Piece, originals, variants
from tests.bench.file_damage import damaged_files, told_of
from tests.bench.injections import KINDS, Fault
from tests.checks.factory import measured_file, session
from tests.measure.feed import measure
from tests.signals import Planar

MARGIN_SAMPLES = 64
INFORMATION = ("hum", "noise-floor")  # notes by default: a matter of taste
WHOLE_FILE = ("dc-offset", "cut-off", *INFORMATION)  # told for the file, not for a place


@dataclass
class Row:
    """Found and all of one kind at one strength; errors of the found places, in samples."""

    found: int = 0
    all: int = 0
    errors: list[int] = field(default_factory=list)


@dataclass
class Tally:
    """Everything that is printed."""

    rows: dict[tuple[str, str], Row] = field(default_factory=lambda: defaultdict(Row))
    missed: list[str] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)
    alarms_unaltered: int = 0
    notes: Counter[str] = field(default_factory=Counter)
    hours: float = 0.0
    searched: list[float] = field(default_factory=list)


def findings_on(samples: Planar, piece: Piece, spec: DeliverySpec, tally: Tally) -> list[Finding]:
    """All findings on one file, notes among them."""
    sound = measure(samples, rate_hz=piece.rate_hz, bits=piece.bits, settings=spec.measure)
    tally.searched.append(sound.transients.searched_share)
    file = measured_file(
        "sound.wav",
        sound,
        role=piece.role,
        rate_hz=piece.rate_hz,
        bit_depth=piece.bits or 32,
        encoding="float" if piece.bits is None else "integer",
    )
    return list(judge(session(file), spec).findings)


def hear_clean(pieces: Iterator[Piece], spec: DeliverySpec, tally: Tally, hours: float) -> None:
    """Count what is said about clean sound."""
    for piece in pieces:
        tally.hours += piece.hours
        for finding in findings_on(piece.samples, piece, spec, tally):
            if finding.severity == "note":
                tally.notes[finding.check] += 1
                continue
            places = finding.occurrences.worst if finding.occurrences else ()
            at = places[0].start_sample if places else finding.start_sample
            tally.alarms.append(f"{piece.name}: {finding.check} at {at}: {finding.message}")
            tally.alarms_unaltered += piece.is_unaltered
        if tally.hours >= hours:
            return


def inject(
    pieces: Sequence[Piece], spec: DeliverySpec, tally: Tally, seed: int, kinds: Sequence[str]
) -> None:
    """One fault of each of ``kinds`` into every piece; the seeds do not depend on the choice."""
    for index, piece in enumerate(pieces):
        for number, (name, make) in enumerate(KINDS.items()):
            if name not in kinds:
                continue
            generator = np.random.default_rng([seed, index, number])
            made = make(piece, generator)
            if made is None:
                continue
            samples, fault = made
            found = findings_on(samples, piece, spec, tally)
            if fault.check not in INFORMATION:
                found = [finding for finding in found if finding.severity != "note"]
            row = tally.rows[fault.group, fault.strength]
            row.all += 1
            error = position_error(found, fault)
            if error is None:
                tally.missed.append(f"{fault} in {piece.name} (seed {seed}, kind {name})")
            else:
                row.found += 1
                row.errors.append(error)


def damage(pieces: Sequence[Piece], tally: Tally, seed: int, count: int) -> None:
    """Files whose header, size or checksum disagrees with their sound, each container alike."""
    files = damaged_files(pieces, seed, count)
    for number, (file, finding) in enumerate(zip(files, told_of(files), strict=True)):
        row = tally.rows[f"file: {file.kind}", file.container]
        row.all += 1
        if finding is None:
            tally.missed.append(f"{file.container}: {file.kind} (seed {seed}, file {number})")
            continue
        row.found += 1
        if file.frames is not None:
            row.errors.append(abs((finding.start_sample or 0) - file.frames))


def position_error(found: Sequence[Finding], fault: Fault) -> int | None:
    """Distance of the nearest place told; None where the fault was not found."""
    errors = []
    for finding in found:
        if finding.check != fault.check:
            continue
        if fault.check in WHOLE_FILE:
            errors.append(0)
        for place in finding.occurrences.worst if finding.occurrences else ():
            if place.start_sample < fault.end + MARGIN_SAMPLES and (
                place.end_sample > fault.start - MARGIN_SAMPLES
            ):
                errors.append(abs(place.start_sample - fault.start))
    return min(errors, default=None)


def shown(tally: Tally) -> Iterator[str]:
    """The tables, line by line."""
    yield "| fault | strength | found | recall | largest position error |"
    yield "| --- | --- | --- | --- | --- |"
    for (group, strength), row in sorted(tally.rows.items(), key=_order):
        error = max(row.errors, default=0)
        share = f"{row.found}/{row.all} | {row.found / row.all:.3f}"
        yield f"| {group} | {strength} | {share} | {error} |"
    if tally.hours:
        per_hour = len(tally.alarms) / tally.hours
        yield f"{len(tally.alarms)} false alarms in {tally.hours:.2f} h ({per_hour:.2f} an hour), "
        yield f"{tally.alarms_unaltered} of them on unaltered sessions"
        by_check = Counter(alarm.split(": ")[1].split(" at ")[0] for alarm in tally.alarms)
        yield ", ".join(f"{check} {count}" for check, count in by_check.most_common())
        yield from tally.alarms
        notes = (f"{check} {count}" for check, count in tally.notes.most_common())
        yield f"notes on the same sound: {', '.join(notes)}"
    if tally.searched:
        yield f"share of cells searched closely for clicks: {np.mean(tally.searched):.5f}"


def _order(item: tuple[tuple[str, str], Row]) -> tuple[str, int, str]:
    (group, strength), _ = item
    digits = strength.lstrip("+-").split("-")[0]
    sign = -1 if strength.startswith("-") else 1
    return group, sign * int(digits) if digits.isdigit() else 0, strength


def main() -> None:
    """Print the tables for one half of the seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", choices=("tune", "report"), default="report")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--hours", type=float, default=6.0)
    parser.add_argument("--from-round", type=int, default=0, help="leave out the first seeds")
    parser.add_argument("--kinds", nargs="+", choices=tuple(KINDS), default=tuple(KINDS))
    parser.add_argument("--damages", type=int, default=20, help="files of a container and damage")
    parser.add_argument("--missed", action="store_true", help="list every fault not found")
    arguments = parser.parse_args()
    first = (0 if arguments.half == "tune" else 1) + 2 * arguments.from_round
    spec = load_spec("base")
    tally = Tally()
    if arguments.hours:
        hear_clean(originals(), spec, tally, arguments.hours)
    seed = first
    while tally.hours < arguments.hours:
        hear_clean(variants(seed), spec, tally, arguments.hours)
        seed += 2
    pieces = [replace(piece, name=piece.name) for piece in originals()]
    pieces = [piece for piece in pieces if not piece.name.startswith(("shape/", "one-shot/"))]
    for number in range(arguments.rounds):
        inject(pieces, spec, tally, first + 2 * number, arguments.kinds)
    if arguments.damages:
        damage(pieces, tally, first, arguments.damages)
    print("\n".join(shown(tally)))
    if arguments.missed:
        print("\n".join(tally.missed))


if __name__ == "__main__":
    main()
