"""Files whose header, size or checksum disagrees with the sound in them, one container at a time.

The sound is written by the reference library, then bytes are lost or a figure is overwritten. Each
damage tells how many frames are left where that follows from the bytes alone.
"""

from __future__ import annotations

import io
import struct
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from stemprep.app.check.inspect import inspect
from stemprep.engine import InlineEngine
from stemprep.model.finding import Finding
from tests.bench.clean_sound import Piece

SECONDS = 1.0
WIDTH = 3
CHANNELS = 2
FRAME_BYTES = WIDTH * CHANNELS
CHECKS = ("truncated", "unreadable", "checksum", "header")
STREAMINFO = 8  # a FLAC begins with its mark and the head of this block
Codes = npt.NDArray[np.int32]


@dataclass(frozen=True)
class SizeField:
    """Where a container says how long its sound is; from: the sound's start if negative."""

    at: int
    form: str
    extra: int  # bytes of the chunk that are counted with the sound


SIZES = {
    "WAV": SizeField(-4, "<I", 0),
    "RF64": SizeField(28, "<Q", 0),  # in ds64, EBU Tech 3306
    "AIFF": SizeField(-12, ">I", 8),  # offset and block size stand in front of the sound
    "CAF": SizeField(-12, ">q", 4),  # the edit count stands in front of the sound
    "W64": SizeField(-8, "<Q", 24),  # the chunk's own head counts
}
CONTAINERS = (*SIZES, "FLAC")


@dataclass(frozen=True)
class Written:
    """A file by the reference library; start: first byte of its sound."""

    container: str
    content: bytes
    start: int
    frames: int

    @property
    def sound_bytes(self) -> int:
        """Length of linear sound; a FLAC's frames reach to its end."""
        is_packed = self.container == "FLAC"
        return len(self.content) - self.start if is_packed else self.frames * FRAME_BYTES


@dataclass(frozen=True)
class Damaged:
    """frames: how many whole ones are left; None where the bytes alone do not tell."""

    container: str
    kind: str
    content: bytes
    is_sound_lost: bool
    frames: int | None = None


def written(piece: Piece, container: str, generator: np.random.Generator) -> Written:
    """A second of a piece as 24-bit stereo."""
    frames = round(SECONDS * piece.rate_hz)
    start = int(generator.integers(0, max(1, piece.samples.shape[1] - frames)))
    sound = np.resize(piece.samples, (CHANNELS, piece.samples.shape[1]))[:, start : start + frames]
    floor = generator.integers(-8, 9, sound.shape)  # no stretch is found twice
    codes = (np.rint(np.clip(sound, -0.99, 0.99) * 2**23).astype(np.int64) + floor) << 8
    words: Codes = np.ascontiguousarray(codes.T.astype(np.int32))
    target = io.BytesIO()
    soundfile.write(target, words, piece.rate_hz, format=container, subtype="PCM_24")
    content = target.getvalue()
    return Written(container, content, _sound_start(content, container, words), len(words))


def _sound_start(content: bytes, container: str, words: Codes) -> int:
    if container == "FLAC":
        return _behind_blocks(content)
    is_big = container in ("AIFF", "CAF")
    stored = words[:64].astype(">i4" if is_big else "<i4").view(np.uint8).reshape(-1, 4)
    kept = stored[:, :WIDTH] if is_big else stored[:, 4 - WIDTH :]
    return content.index(kept.tobytes())


def _behind_blocks(content: bytes) -> int:
    """RFC 9639, 8.1: the highest bit of a metadata block's head marks the last."""
    at, is_last = 4, False
    while not is_last:
        is_last = bool(content[at] & 0x80)
        at += 4 + int.from_bytes(content[at + 1 : at + 4])
    return at


def end_lost(file: Written, generator: np.random.Generator) -> Damaged:
    """A copy that stopped: one byte to three quarters of the sound is missing at the end."""
    most = np.log(0.75 * file.sound_bytes)
    lost = round(float(np.exp(generator.uniform(0, most))))
    behind = len(file.content) - file.start - file.sound_bytes  # padding of the last chunk
    content = file.content[: len(file.content) - behind - lost]
    left = (len(content) - file.start) // FRAME_BYTES if file.container != "FLAC" else None
    return Damaged(file.container, "end lost", content, is_sound_lost=True, frames=left)


def middle_lost(file: Written, generator: np.random.Generator) -> Damaged:
    """Bytes are missing inside, and the rest moved up."""
    lost = int(generator.integers(1, file.sound_bytes // 2))
    at = file.start + int(generator.integers(0, file.sound_bytes - lost))
    content = file.content[:at] + file.content[at + lost :]
    return Damaged(file.container, "middle lost", content, is_sound_lost=True)


def size_too_large(file: Written, generator: np.random.Generator) -> Damaged:
    """The header promises more sound than there is, by one frame to as much again."""
    more = round(float(np.exp(generator.uniform(0, np.log(file.frames)))))
    content = _with_frames(file, file.frames + more)
    return Damaged(
        file.container, "size too large", content, is_sound_lost=True, frames=file.frames
    )


def size_too_small(file: Written, generator: np.random.Generator) -> Damaged:
    """The header names less sound than there is, by more than padding can be (8 bytes in W64)."""
    less = round(float(np.exp(generator.uniform(np.log(2), np.log(file.frames - 1)))))
    content = _with_frames(file, file.frames - less)
    return Damaged(file.container, "size too small", content, is_sound_lost=False)


def sum_differs(file: Written, generator: np.random.Generator) -> Damaged | None:
    """A FLAC of which one bit of the sound, or its MD5, is another one."""
    if file.container != "FLAC":
        return None
    content = bytearray(file.content)
    if generator.random() < 0.5:
        content[int(generator.integers(file.start, len(content)))] ^= 1 << int(
            generator.integers(8)
        )
    else:
        md5 = STREAMINFO + 18
        content[md5 : md5 + 16] = generator.bytes(16)
    return Damaged(file.container, "checksum differs", bytes(content), is_sound_lost=True)


Damage = Callable[[Written, np.random.Generator], Damaged | None]
DAMAGES: tuple[Damage, ...] = (end_lost, middle_lost, size_too_large, size_too_small, sum_differs)


def _with_frames(file: Written, frames: int) -> bytes:
    content = bytearray(file.content)
    if file.container == "FLAC":
        struct.pack_into(">I", content, STREAMINFO + 14, frames)  # low 32 of 36 bits
        return bytes(content)
    field = SIZES[file.container]
    at = field.at if field.at >= 0 else file.start + field.at
    size = frames * FRAME_BYTES + field.extra
    (old,) = struct.unpack_from(field.form, content, at)
    if old != file.sound_bytes + field.extra:
        raise AssertionError(f"{file.container}: no size at {at}")
    struct.pack_into(field.form, content, at, size)
    return bytes(content)


def damaged_files(pieces: Sequence[Piece], seed: int, count: int) -> list[Damaged]:
    """``count`` files of each container and damage, of pieces taken in turn."""
    made: list[Damaged] = []
    for number in range(count):
        for index, container in enumerate(CONTAINERS):
            generator = np.random.default_rng([seed, number, index])
            piece = pieces[int(generator.integers(len(pieces)))]
            file = written(piece, container, generator)
            made += filter(None, (damage(file, generator) for damage in DAMAGES))
    return made


def told_of(files: Sequence[Damaged]) -> list[Finding | None]:
    """What a check says of each file by itself; None where it is silent or only has a note.

    Lost sound must be told as a fail: a warning does not stop a delivery.
    """
    told: list[Finding | None] = []
    with tempfile.TemporaryDirectory() as name:
        for number, file in enumerate(files):
            (Path(name) / f"{number:05} take.{file.container.lower()}").write_bytes(file.content)
        report = inspect(Path(name), "base", engine=InlineEngine(), is_outlook_wanted=False)
        for number, file in enumerate(files):
            wanted = ("fail",) if file.is_sound_lost else ("fail", "warn")
            told.append(
                next(
                    (
                        finding
                        for finding in report.findings
                        if finding.file is not None
                        and finding.file.startswith(f"{number:05} ")
                        and finding.check in CHECKS
                        and finding.severity in wanted
                    ),
                    None,
                )
            )
    return told
