"""The demo: a faulty session is written, checked, planned, delivered and verified."""

from __future__ import annotations

import struct
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stemprep.app.deliver import deliver, plan
from stemprep.app.inspect import inspect
from stemprep.app.places import write_report_file
from stemprep.app.verify import verify
from stemprep.containers import Metadata, build_bext, write_blocks
from stemprep.demo import FAULTS, DemoFile, PlantedFault, demo_files, extra_files, sheet
from stemprep.dsp.block import SoundBlock
from stemprep.errors import DeliveryError, StemprepError
from stemprep.model.header import AudioFormat, Bext
from stemprep.model.package import Verification
from stemprep.model.report import Report
from stemprep.report import render_html, render_plan, render_text, render_verification

Say = Callable[[str], None]
SESSION_NAME = "Slow Ferry Home"
SPEC = "overdub"


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """How the demo went.

    missed: planted faults that no finding named; empty when all went as told.
    """

    session: Path
    checked: Report
    planned: Report
    delivered: Report
    proofs: tuple[Verification, ...]
    missed: tuple[PlantedFault, ...]

    @property
    def ran_as_told(self) -> bool:
        """True when every planted fault was found and the package is proved whole."""
        is_proved = bool(self.proofs) and all(p.is_whole and p.is_complete for p in self.proofs)
        return not self.missed and self.delivered.package is not None and is_proved


def run_demo(into: Path, say: Say) -> Story:
    """Tell the whole story in ``into``, which must not exist or be empty.

    Raises DeliveryError where it cannot be written.
    """
    session = write_session(into)
    say(f"1. A session was made in {session}, with {len(FAULTS)} faults planted in it:")
    for fault in FAULTS:
        told = f"{fault.path}: {fault.story}"
        say(textwrap.fill(told, width=80, initial_indent=" " * 5, subsequent_indent=" " * 7))
    say(f"\n2. stemprep check, against the spec '{SPEC}':\n")
    checked = inspect(session, SPEC)
    say(_indented(render_text(checked, width=74)))
    report_file = into / "check-report.html"
    write_report_file(report_file, render_html(checked))
    say("\n3. stemprep plan: what a delivery will do\n")
    planned = plan(session, SPEC)
    assert planned.plan is not None
    say(_indented(render_plan(planned.plan, width=74)))
    say("\n4. stemprep deliver\n")
    delivered = deliver(session, SPEC, [into / "delivered"])
    say(_indented("\n".join(render_text(delivered, width=74).splitlines()[:3])))
    proofs = () if delivered.package is None else verify([Path(delivered.package)])
    say("\n5. stemprep verify\n")
    say(_indented(render_verification(proofs, width=74)))
    say(f"\nPackage:           {delivered.package}")
    say(f"Read first:        {delivered.package}/data/delivery-note.txt")
    say(f"Report of check:   {report_file}")
    return Story(
        session=session,
        checked=checked,
        planned=planned,
        delivered=delivered,
        proofs=tuple(proofs),
        missed=missed_faults(checked),
    )


def missed_faults(report: Report) -> tuple[PlantedFault, ...]:
    """Planted faults that no finding of the right check names."""
    found = {
        (finding.check, path)
        for finding in report.findings
        for path in (*finding.files, finding.file)
    }
    return tuple(fault for fault in FAULTS if (fault.check, fault.path) not in found)


def _is_taken(into: Path) -> bool:
    """True where something lies that is no empty folder; what cannot be read is told later."""
    try:
        return into.exists() and (not into.is_dir() or any(into.iterdir()))
    except OSError:
        return False


def write_session(into: Path) -> Path:
    """Write the demo session's folder into ``into`` and return it."""
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
        raise DeliveryError(
            f"{into}: the demo could not be written: {error.strerror}; name a folder "
            "on a disk with 100 MB free that you may write to"
        ) from error
    return folder


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
        description=path_stem(file.path),
        originator="stemprep demo",
        origination_date="2031-05-02",
        origination_time="10:00:00",
        time_reference_samples=file.time_reference_samples,
    )
    return Metadata(chunks=(("bext", build_bext(bext)),))


def path_stem(path: str) -> str:
    """The name without its extension."""
    return path.rpartition(".")[0]


def _forget_sizes(path: Path) -> None:
    """Leave RIFF and data sizes at zero, as a recorder that lost power does."""
    with path.open("r+b") as stream:
        content = stream.read()
        for place in (4, content.index(b"data") + 4):
            stream.seek(place)
            stream.write(struct.pack("<I", 0))


def _indented(text: str) -> str:
    return "\n".join(f"  {line}".rstrip() for line in text.splitlines())


def tell_missed(missed: Sequence[PlantedFault]) -> str:
    """What went wrong with the demo, for the error line."""
    return "; ".join(f"{fault.path}: {fault.check} was not found" for fault in missed)


class DemoFailedError(StemprepError):
    """The demo did not run as told: a fault of ours."""
