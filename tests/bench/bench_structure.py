"""Chunks doubled, reordered, dropped or set against each other: no pass that others cannot read.

Run: ``python -m tests.bench.bench_structure [--count N] [--seed S]``. Files of every container are
taken apart into chunks, changed and put together again. Each is measured as a check measures it. A
file passes where nothing above a note is told of it; each pass is then read by libsndfile as a
whole (BW64 as the RF64 that it is) and must give the same rate, channels, length and audio hash.
Counted besides: what a reader that is neither ours nor libsndfile makes of the passes.
"""

from __future__ import annotations

import argparse
import os
import resource
import struct
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from pedalboard.io import AudioFile

from stemprep.containers import DecoderStopped, OtherReader
from stemprep.measure import AudioWords
from stemprep.model.facts import FileFacts
from stemprep.work.measure import MeasureJob, measure_file
from tests import signals
from tests.containers.other_builder import W64_RIFF, W64_TAIL, library_file
from tests.shipped import measure_settings

Chunk = tuple[bytes, bytes]
"""Identifier and payload."""

RATES_HZ = (44_100, 48_000, 96_000)
FRAMES = 6_000


def head(payload: bytes, at: int, form: str, values: tuple[int, ...]) -> bytes:
    """The payload with other values at a place."""
    packed = struct.pack(form, *values)
    return payload[:at] + packed + payload[at + len(packed) :]


@dataclass(frozen=True)
class Kind:
    """How one container is taken apart, put together and given another format."""

    name: str
    content: bytes
    apart: Callable[[bytes], list[Chunk]]
    together: Callable[[list[Chunk]], bytes]
    other_format: Callable[[bytes, np.random.Generator], bytes]
    format: bytes
    sound: bytes
    extra: tuple[Chunk, ...] = field(default=())


def riff_apart(content: bytes) -> list[Chunk]:
    chunks, position = [], 12
    while position + 8 <= len(content):
        size = int.from_bytes(content[position + 4 : position + 8], "little")
        size = min(size, len(content) - position - 8)
        chunks.append(
            (content[position : position + 4], content[position + 8 : position + 8 + size])
        )
        position += 8 + size + (size & 1)
    return chunks


def riff_together(magic: bytes) -> Callable[[list[Chunk]], bytes]:
    def put(chunks: list[Chunk]) -> bytes:
        body = b"WAVE" + b"".join(
            name
            + struct.pack("<I", 2**32 - 1 if magic != b"RIFF" and name == b"data" else len(payload))
            + payload
            + bytes(len(payload) & 1)
            for name, payload in chunks
        )
        return magic + struct.pack("<I", len(body) if magic == b"RIFF" else 2**32 - 1) + body

    return put


def aiff_apart(content: bytes) -> list[Chunk]:
    chunks, position = [], 12
    while position + 8 <= len(content):
        size = int.from_bytes(content[position + 4 : position + 8], "big")
        chunks.append(
            (content[position : position + 4], content[position + 8 : position + 8 + size])
        )
        position += 8 + size + (size & 1)
    return chunks


def aiff_together(chunks: list[Chunk]) -> bytes:
    body = b"AIFF" + b"".join(
        name + struct.pack(">I", len(payload)) + payload + bytes(len(payload) & 1)
        for name, payload in chunks
    )
    return b"FORM" + struct.pack(">I", len(body)) + body


def caf_apart(content: bytes) -> list[Chunk]:
    chunks, position = [], 8
    while position + 12 <= len(content):
        size = int.from_bytes(content[position + 4 : position + 12], "big", signed=True)
        chunks.append(
            (content[position : position + 4], content[position + 12 : position + 12 + size])
        )
        position += 12 + size
    return chunks


def caf_together(chunks: list[Chunk]) -> bytes:
    return b"caff\0\1\0\0" + b"".join(
        name + struct.pack(">q", len(payload)) + payload for name, payload in chunks
    )


def w64_apart(content: bytes) -> list[Chunk]:
    chunks, position = [], 40
    while position + 24 <= len(content):
        size = int.from_bytes(content[position + 16 : position + 24], "little")
        chunks.append((content[position : position + 4], content[position + 24 : position + size]))
        position += size + -size % 8
    return chunks


def w64_together(chunks: list[Chunk]) -> bytes:
    body = (
        b"wave"
        + W64_TAIL
        + b"".join(
            name
            + W64_TAIL
            + struct.pack("<Q", 24 + len(payload))
            + payload
            + bytes(-len(payload) % 8)
            for name, payload in chunks
        )
    )
    return W64_RIFF + struct.pack("<Q", 24 + len(body)) + body


def flac_apart(content: bytes) -> list[Chunk]:
    chunks, position, is_last = [], 4, False
    while not is_last:
        kind, size = content[position], int.from_bytes(content[position + 1 : position + 4], "big")
        is_last = bool(kind & 0x80)
        chunks.append((bytes([kind & 0x7F]), content[position + 4 : position + 4 + size]))
        position += 4 + size
    return [*chunks, (b"frames", content[position:])]


def flac_together(chunks: list[Chunk]) -> bytes:
    blocks = [(name, payload) for name, payload in chunks if name != b"frames"]
    made = b"fLaC"
    for number, (name, payload) in enumerate(blocks, 1):
        last = 0x80 if number == len(blocks) else 0
        made += bytes([name[0] | last]) + len(payload).to_bytes(3, "big") + payload
    return made + b"".join(payload for name, payload in chunks if name == b"frames")


def other_wave(payload: bytes, numbers: np.random.Generator) -> bytes:
    choice = numbers.integers(0, 4)
    if choice == 0:
        return head(payload, 4, "<I", (int(numbers.choice(RATES_HZ)),))
    if choice == 1:
        return head(payload, 2, "<H", (int(numbers.integers(1, 5)),))
    if choice == 2:
        bits = int(numbers.choice((8, 12, 16, 20, 24, 32)))
        return head(payload, 14, "<H", (bits,))
    return head(payload, 12, "<H", (int(numbers.integers(1, 17)),))


def other_common(payload: bytes, numbers: np.random.Generator) -> bytes:
    choice = numbers.integers(0, 4)
    if choice == 0:
        return head(payload, 0, ">H", (int(numbers.integers(1, 5)),))
    if choice == 1:
        return head(payload, 2, ">I", (int(numbers.integers(0, 2 * FRAMES)),))
    if choice == 2:
        return head(payload, 6, ">H", (int(numbers.choice((8, 12, 16, 20, 24, 32))),))
    return head(payload, 10, ">H", (int(numbers.choice((44_100, 48_000, 64_000))),))


def other_description(payload: bytes, numbers: np.random.Generator) -> bytes:
    choice = numbers.integers(0, 4)
    if choice == 0:
        return struct.pack(">d", float(numbers.choice(RATES_HZ))) + payload[8:]
    place = {1: 12, 2: 24, 3: 28}[int(choice)]
    value = int(numbers.integers(0, 4)) if place == 12 else int(numbers.choice((1, 2, 8, 16, 24)))
    return head(payload, place, ">I", (value,))


def other_streaminfo(payload: bytes, numbers: np.random.Generator) -> bytes:
    shift, width, values = [
        (44, 20, RATES_HZ),
        (41, 3, (0, 1, 2)),
        (36, 5, (15, 23)),
        (0, 36, (0, FRAMES // 2, FRAMES, 2 * FRAMES)),
    ][numbers.integers(0, 4)]
    packed = int.from_bytes(payload[10:18], "big")
    value = int(numbers.choice(values))
    packed = packed & ~((1 << width) - 1 << shift) | value << shift
    return payload[:10] + packed.to_bytes(8, "big") + payload[18:]


def kinds() -> list[Kind]:
    """One file a container; sound on both channels that is not the same."""
    sound = signals.pluck(peak_dbfs=-6, seconds=FRAMES / 48_000, channels=2)
    sound = np.stack([sound[0], sound[1 % len(sound)] * 0.5]).T
    made = []
    for magic, kind in ((b"RIFF", "WAV"), (b"RF64", "RF64"), (b"BW64", "RF64")):
        for subtype in ("PCM_16", "PCM_24", "FLOAT") if kind == "WAV" else ("PCM_24",):
            content = library_file(kind, subtype, sound)
            extra = (
                (b"bext", bytes(602)),
                (b"iXML", b"<BWFXML/>"),
                (b"fact", struct.pack("<I", FRAMES)),
                (b"LIST", b"INFOINAM\2\0\0\0a\0"),
                (b"JUNK", bytes(29)),
            )
            made.append(
                Kind(
                    f"{magic.decode()} {subtype}",
                    content,
                    riff_apart,
                    riff_together(magic),
                    other_wave,
                    b"fmt ",
                    b"data",
                    extra,
                )
            )
    for subtype in ("PCM_16", "PCM_24"):
        aiff = library_file("AIFF", subtype, sound)
        caf = library_file("CAF", subtype, sound)
        w64 = library_file("W64", subtype, sound)
        flac = library_file("FLAC", subtype, sound)
        names = (b"NAME", b"take"), (b"ANNO", b"odd")
        made += [
            Kind(
                f"AIFF {subtype}",
                aiff,
                aiff_apart,
                aiff_together,
                other_common,
                b"COMM",
                b"SSND",
                names,
            ),
            Kind(
                f"CAF {subtype}",
                caf,
                caf_apart,
                caf_together,
                other_description,
                b"desc",
                b"data",
                ((b"free", bytes(7)),),
            ),
            Kind(
                f"W64 {subtype}",
                w64,
                w64_apart,
                w64_together,
                other_wave,
                b"fmt ",
                b"data",
                ((b"junk", bytes(9)),),
            ),
            Kind(
                f"FLAC {subtype}",
                flac,
                flac_apart,
                flac_together,
                other_streaminfo,
                b"\0",
                b"frames",
                ((b"\1", bytes(12)), (b"\4", bytes(8))),
            ),
        ]
    return made


def mutated(kind: Kind, numbers: np.random.Generator) -> bytes:
    """One to three changes to the order, number and statements of the chunks."""
    chunks = kind.apart(kind.content)
    if kind.name.startswith("BW64"):
        chunks = [(name, payload) for name, payload in chunks if name != b"PEAK"]
    for _ in range(numbers.integers(1, 4)):
        at = int(numbers.integers(0, len(chunks)))
        name, payload = chunks[at]
        to = int(numbers.integers(0, len(chunks) + 1))
        match numbers.integers(0, 8):
            case 0:
                chunks.insert(to, (name, payload))
            case 1:
                chunks.insert(to if to < len(chunks) else 0, chunks.pop(at))
            case 2 if len(chunks) > 1:
                chunks.pop(at)
            case 3:
                twin = next((each for each in chunks if each[0] == kind.format), None)
                if twin is not None:
                    chunks.insert(to, (twin[0], kind.other_format(twin[1], numbers)))
            case 4:
                chunks = [
                    (each, kind.other_format(old, numbers) if each == kind.format else old)
                    for each, old in chunks
                ]
            case 5:
                chunks.insert(to, (kind.sound, numbers.bytes(int(numbers.integers(0, 30_000)))))
            case 6 if kind.extra:
                extra = kind.extra[numbers.integers(0, len(kind.extra))]
                chunks.insert(to, extra)
            case _:
                longer = payload + numbers.bytes(3_000)
                chunks[at] = (name, longer[: int(numbers.integers(0, len(longer)))])
    content = kind.together(chunks)
    if numbers.random() < 0.1:
        content += kind.content if numbers.random() < 0.5 else numbers.bytes(500)
    return content


def verdict(facts: FileFacts) -> str:
    """What a check would make of it."""
    worst = {fault.severity for fault in facts.header.faults}
    if "fail" in worst or facts.sound is None:
        return "fail"
    return "warn" if "warn" in worst else "pass"


def disagreement(path: Path, facts: FileFacts) -> str:
    """How the independent reader differs from ours; "" where it does not."""
    form = facts.format
    assert form is not None
    with path.open("rb") as stream:
        try:
            with OtherReader(stream, facts.size_bytes, form) as other:
                if (other.sample_rate_hz, other.channels) != (form.sample_rate_hz, form.channels):
                    return "another format"
                words, frames = AudioWords(form.channels, form.container_bits), 0
                for values in other.blocks():
                    frames += len(values)
                    if form.encoding == "float":
                        words.add_floats(values.T)
                    else:
                        words.add_codes(values)
        except DecoderStopped:
            return "refused"
    if frames != facts.header.frames:
        return "another length"
    return "" if words.hexdigest() == facts.audio_sha256 else "other samples"


def third_opinion(path: Path, facts: FileFacts) -> str:
    """The same of a reader that is neither ours nor libsndfile, by rate, channels and length."""
    form = facts.format
    assert form is not None
    try:
        with AudioFile(str(path)) as other:
            found = (round(other.samplerate), other.num_channels, other.frames)
    except (ValueError, RuntimeError):
        return "refused"
    return "" if found == (form.sample_rate_hz, form.channels, facts.header.frames) else "otherwise"


def main() -> None:
    """Print the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for passes that are not confirmed")
    options = parser.parse_args()
    numbers = np.random.default_rng(options.seed)
    verdicts: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    thirds: Counter[str] = Counter()
    longest = 0.0
    with tempfile.TemporaryDirectory() as folder:
        made = kinds()
        for number in range(options.count):
            kind = made[number % len(made)]
            path = Path(folder) / f"take.{kind.name.split()[0].lower()}"
            path.write_bytes(mutated(kind, numbers))
            job = MeasureJob(
                root=folder,
                raw_path=os.fsencode(path.name),
                name="take",
                settings=measure_settings(),
            )
            begun = time.process_time()
            try:
                facts = measure_file(job)
            except Exception:
                verdicts["exception"] += 1
                traceback.print_exc()
                continue
            longest = max(longest, time.process_time() - begun)
            verdicts[verdict(facts)] += 1
            if verdict(facts) == "fail":
                continue
            differs = disagreement(path, facts)
            if differs:
                wrong[f"{verdict(facts)}, {differs} ({kind.name})"] += 1
                if options.keep is not None:
                    options.keep.mkdir(exist_ok=True)
                    (options.keep / f"{number}-{path.name}").write_bytes(path.read_bytes())
            elif verdict(facts) == "pass":
                third = third_opinion(path, facts)
                if third:
                    thirds[f"{third} ({kind.name})"] += 1
    for word, count in verdicts.most_common():
        print(f"{count:6d} {word}")
    print(f"not confirmed by libsndfile: {sum(wrong.values())}")
    for word, count in wrong.most_common():
        print(f"{count:6d} {word}")
    print("passes that a third reader refuses or reads otherwise:")
    for word, count in thirds.most_common():
        print(f"{count:6d} {word}")
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{options.count} mutants, {peak_mb:.0f} MB at most, {longest:.2f} s CPU for the slowest")


if __name__ == "__main__":
    main()
