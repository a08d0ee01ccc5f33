"""The demo's folders: the session as it is dropped, and what the overdub room sends back."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stemprep.containers import Metadata, build_bext, read_blocks, read_header, write_blocks
from stemprep.demo import DemoFile, demo_files, extra_files, overdubs, sheet
from stemprep.demo.session import RATE_HZ, SESSION_START_S
from stemprep.dsp.block import SoundBlock
from stemprep.errors import DeliveryError
from stemprep.model.header import AudioFormat, Bext, Header
from stemprep.units import ratio_from_db

SESSION_NAME = "Slow Ferry Home"
RETURN_NAME = "returned"


def write_session(into: Path) -> Path:
    """Write the demo session's folder into ``into`` and return it.

    Raises DeliveryError where ``into`` is in use or cannot be written.
    """
    if _is_taken(into):
        raise DeliveryError(
            f"{into}: exists and is not empty; remove it or name another folder with --into"
        )
    folder = into / SESSION_NAME
    try:
        folder.mkdir(parents=True)
        for file in demo_files():
            _write(folder / file.path, file)
        for name, content in {**extra_files(), "session.yaml": sheet().encode()}.items():
            (folder / name).write_bytes(content)
    except OSError as error:
        raise _unwritable(into, error) from error
    return folder


def write_return(into: Path, package: Path) -> Path:
    """Write what the overdub room made of ``package`` into ``into``; return its folder.

    Raises DeliveryError where it cannot be written.
    """
    folder = into / RETURN_NAME
    try:
        folder.mkdir()
        for path in sorted((package / "data" / "tracks").iterdir()):
            _send_back(path, folder)
        header, mix = _heard(package / "data" / "mixes" / overdubs.PLAYED_TO)
        start_samples = header.time_reference_samples
        assert start_samples is not None, "what overdubs are played to carries its start"
        before_samples = SESSION_START_S * RATE_HZ - start_samples
        for take in overdubs.new_takes(mix.mean(axis=0), before_samples):
            _write(folder / take.path, take)
    except OSError as error:
        raise _unwritable(into, error) from error
    return folder


def _send_back(path: Path, folder: Path) -> None:
    """One original as that room leaves it: as it was, renamed, turned down, or kept."""
    if path.name in overdubs.KEPT:
        return
    target = folder / overdubs.NEW_NAMES.get(path.name, path.name)
    if path.name != overdubs.TURNED_DOWN:
        shutil.copyfile(path, target)
        return
    header, samples = _heard(path)
    quieter = DemoFile(
        path=path.name,
        samples=samples * ratio_from_db(overdubs.TURNED_DOWN_DB),
        time_reference_samples=header.time_reference_samples,
    )
    _write(target, quieter)


def _heard(path: Path) -> tuple[Header, npt.NDArray[np.float64]]:
    """A file of the package: its header, and its sound with shape (channels, frames)."""
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, path.name)
        blocks = [block.samples for block in read_blocks(stream, header, lambda _: None)]
    return header, np.concatenate(blocks, axis=1, dtype=np.float64)


def _unwritable(into: Path, error: OSError) -> DeliveryError:
    return DeliveryError(
        f"{into}: the demo could not be written: {error.strerror}; name a folder "
        "on a disk with 150 MB free that you may write to"
    )


def _is_taken(into: Path) -> bool:
    """True where something lies that is no empty folder; what cannot be read is told later."""
    try:
        return into.exists() and (not into.is_dir() or any(into.iterdir()))
    except OSError:
        return False


def _write(path: Path, file: DemoFile) -> None:
    audio_format = AudioFormat(
        container="WAV",
        encoding="integer",
        sample_rate_hz=file.rate_hz,
        channels=file.samples.shape[0],
        bit_depth=file.bit_depth,
        container_bits=file.bit_depth,
    )
    highest = 2.0 ** (file.bit_depth - 1)
    whole = np.clip(np.rint(file.samples.T * highest), -highest, highest - 1).astype(np.int32)
    block = SoundBlock(file.samples, np.ascontiguousarray(whole << (32 - file.bit_depth)))
    with path.open("xb") as stream:
        write_blocks(stream, audio_format, iter([block]), _metadata(file), block.frames)
    if file.is_header_unfinished:
        _forget_sizes(path)


def _metadata(file: DemoFile) -> Metadata:
    if file.time_reference_samples is None:
        return Metadata()
    bext = Bext(
        description=_stem(file.path),
        originator="stemprep demo",
        origination_date="2031-05-02",
        origination_time="10:00:00",
        time_reference_samples=file.time_reference_samples,
    )
    return Metadata(chunks=(("bext", build_bext(bext)),))


def _stem(path: str) -> str:
    """The name without its extension."""
    return path.rpartition(".")[0]


def _forget_sizes(path: Path) -> None:
    """Leave RIFF and data sizes at zero, as a recorder that lost power does."""
    with path.open("r+b") as stream:
        content = stream.read()
        for place in (4, content.index(b"data") + 4):
            stream.seek(place)
            stream.write(struct.pack("<I", 0))
