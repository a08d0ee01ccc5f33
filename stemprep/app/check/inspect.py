"""Check a drop: list it, read its sheet and tempo files, measure it, judge it."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Literal

from stemprep.app.check.blocking import is_repaired
from stemprep.app.check.inspection import Inspection
from stemprep.app.check.microphones import with_lags
from stemprep.app.check.null_tests import with_null_tests
from stemprep.checks import judge
from stemprep.engine import Engine, InlineEngine, JobDied, ProcessEngine
from stemprep.errors import DeliveryError, InputError
from stemprep.intake import Scan, build_session, open_regular, read_sheet, scan_drop
from stemprep.model.facts import FileFacts, MeasureSettings
from stemprep.model.report import Report
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import DropEntry, MeasuredFile, MeasuredSession, Session, SourceFile
from stemprep.model.sheet import MidiTempo, SessionSheet
from stemprep.naming.patterns import PathIndex
from stemprep.package import empty_folder, opened_folder
from stemprep.spec import load_sheet, load_spec
from stemprep.work.measure import MeasureJob, measure_file, unmeasured


def tempo_files(scan: Scan) -> Callable[[str], MidiTempo]:
    """Give the reader of tempo files that lie in a drop; it raises ValueError in words.

    Only what intake has listed as a document is opened, so nothing outside the drop is.
    """
    documents = {entry.path: entry for entry in scan.entries if entry.kind == "document"}
    index = PathIndex(documents, scan.sheet_folder)

    def read(path: str) -> MidiTempo:
        named = index.named_by(path)
        if not named:
            raise ValueError("is not in the drop; put the MIDI file there, or leave the key out")
        if len(named) > 1:
            names = ", ".join(named[:3])
            raise ValueError(f"names {len(named)} files ({names}); give the path of one")
        from stemprep.timeline import MAX_MIDI_BYTES, read_midi_tempo  # few drops have such a file

        return read_midi_tempo(_content(scan, documents[named[0]], MAX_MIDI_BYTES))

    return read


def _content(scan: Scan, entry: DropEntry, most_bytes: int) -> bytes:
    """All bytes of a file, or one more than the most that are wanted."""
    try:
        with open_regular(scan.root, entry.raw_path) as stream:
            return stream.read(most_bytes + 1)
    except (InputError, OSError) as error:
        raise ValueError(f"cannot be opened: {error}") from error


OnProgress = Callable[[int, int, str], None]
Admit = Callable[[Session], None]
Closeups = Literal["none", "seen", "heard"]

_INLINE_BYTES = 4 * 1024**2
_OWN_DECODER_MAGIC = (b"RIFF", b"RF64", b"BW64")


def no_progress(done: int, total: int, path: str) -> None:
    """Progress that nobody watches."""


def admit_all(session: Session) -> None:
    """No limits but those of the formats."""


@contextmanager
def inspected(
    drop: Path,
    spec_name: str | Path,
    *,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
    unpack_into: Path | None = None,
    admit: Admit = admit_all,
    is_link_followed: bool = True,
) -> Iterator[Inspection]:
    """Measure and judge a drop.

    admit:       called with what was dropped before anything is decoded; what it raises ends it.
    unpack_into: where a zip's content lies meanwhile, in a folder that begins with this path's
                 last part; None: where the system keeps temporary files.
    is_link_followed: see ``scan_drop``.
    Raises SpecError for the spec or the session sheet, InputError for a drop that is missing,
    cannot be listed or holds no audio.
    """
    spec = load_spec(spec_name)
    with unpacking_place(drop, unpack_into) as workspace:
        session = _read_session(drop, workspace, is_link_followed=is_link_followed)
        admit(session)
        yield judged(session, spec, engine=engine, on_progress=on_progress)


def judged(
    session: Session,
    spec: DeliverySpec,
    *,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Inspection:
    """Measure and judge a session, wherever its files lie below its root."""
    facts = measure_files(session, session.files, spec.measure, engine, on_progress)
    measured = MeasuredSession(
        session=session,
        files=tuple(
            MeasuredFile(source=source, facts=fact)
            for source, fact in zip(session.files, facts, strict=True)
        ),
    )
    fitting = engine or fitting_engine(session, session.files)
    whole = with_lags(with_null_tests(measured, fitting), fitting)
    return Inspection(spec=spec, measured=whole, judgement=judge(whole, spec))


def inspect(
    drop: Path,
    spec_name: str | Path,
    *,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
    is_outlook_wanted: bool = True,
    closeups: Closeups = "none",
) -> Report:
    """The report of one drop; see ``inspected`` for what it raises.

    is_outlook_wanted: say what a delivery would cure and what would stop it; people read that,
    the JSON report does not hold it.
    closeups: whether a page is to show the sound around the worst places, and play it.
    """
    with inspected(drop, spec_name, engine=engine, on_progress=on_progress) as inspection:
        report = _with_outlook(inspection) if is_outlook_wanted else inspection.report
        if closeups == "none":
            return report
        from stemprep.app.closeups import with_closeups  # a page only

        session = inspection.measured.session
        chosen = engine or fitting_engine(session, session.files)
        return with_closeups(report, chosen, is_heard=closeups == "heard")


def _with_outlook(inspection: Inspection) -> Report:
    """The report of a check, which knows what a delivery would cure and what would stop it."""
    from stemprep.prepare import plan_delivery  # a check for a program does without

    judgement = inspection.judgement
    planned = plan_delivery(
        inspection.measured, judgement.set_facts, judgement.findings, inspection.spec
    )
    blocked = {path for blocker in planned.blockers for path in blocker.files}
    return replace(
        inspection.report,
        cured=tuple(
            finding
            for finding in judgement.findings
            if is_repaired(finding, planned) and blocked.isdisjoint(finding.files)
        ),
        blockers=planned.blockers,
    )


@contextmanager
def unpacking_place(drop: Path, beginning: Path | None = None) -> Iterator[Path | None]:
    """A folder to unpack a zip into; None for a folder, which may hold the temporary folder."""
    if not os.path.isfile(drop):  # noqa: PTH113  # pathlib's raises where a folder above is closed
        yield None
        return
    try:
        if beginning is None:
            place = Path(tempfile.mkdtemp(prefix="stemprep-"))
        else:
            place = Path(tempfile.mkdtemp(prefix=f"{beginning.name}-", dir=beginning.parent))
    except OSError as error:
        problem = f"{drop}: no temporary folder can be made to unpack it into ({error.strerror}); "
        if beginning is not None:
            raise DeliveryError(f"{problem}look after {beginning.parent}") from error
        raise InputError(
            f"{problem}make room there, or name another one in the environment as TMPDIR"
        ) from error
    with opened_folder(place) as folder:
        try:
            yield place
        finally:  # what was made here, whatever its path leads to by now
            with suppress(OSError):
                empty_folder(folder)
                place.rmdir()


def _read_session(drop: Path, workspace: Path | None, *, is_link_followed: bool) -> Session:
    scan = scan_drop(drop, workspace, is_link_followed=is_link_followed)
    session = build_session(scan, dropped_sheet(scan))
    if not session.files and not any(entry.kind == "unsafe" for entry in session.entries):
        raise InputError(
            f"{drop}: holds {len(session.entries)} files and no audio; "
            "drop a folder or zip with the exported audio files in it"
        )
    return session


def dropped_sheet(scan: Scan) -> SessionSheet | None:
    """The session sheet of a drop; None where it holds none. Raises SpecError."""
    content = read_sheet(scan)
    name = "session.yaml" if scan.sheet is None else scan.sheet.path
    return None if content is None else load_sheet(content, name, tempo_files(scan))


def measure_files(
    session: Session,
    files: Sequence[SourceFile],
    settings: MeasureSettings,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> list[FileFacts]:
    """Facts of files, in their order; the longest are begun first so that none is waited for."""
    order = sorted(range(len(files)), key=lambda index: (-files[index].entry.size_bytes, index))
    jobs = [
        MeasureJob(
            root=session.root,
            raw_path=files[index].entry.raw_path,
            name=files[index].path,
            settings=settings,
        )
        for index in order
    ]
    done = 0

    def on_done(position: int) -> None:
        nonlocal done
        done += 1
        on_progress(done, len(jobs), jobs[position].name)

    chosen = engine or fitting_engine(session, files)
    results = chosen.run(measure_file, jobs, on_done)
    facts: list[FileFacts | None] = [None] * len(files)
    for index, result in zip(order, results, strict=True):
        facts[index] = _facts_or_reason(result, files[index])
    return [fact for fact in facts if fact is not None]


def _facts_or_reason(result: FileFacts | JobDied, source: SourceFile) -> FileFacts:
    if isinstance(result, JobDied):
        return replace(unmeasured(result.reason), size_bytes=source.entry.size_bytes)
    return result


def fitting_engine(session: Session, files: Sequence[SourceFile]) -> Engine:
    """Small drops that only our own decoder will read stay in this process."""
    total_bytes = sum(source.entry.size_bytes for source in files)
    if total_bytes <= _INLINE_BYTES and all(_is_ours(session, source) for source in files):
        return InlineEngine()
    return ProcessEngine()


def _is_ours(session: Session, source: SourceFile) -> bool:
    try:
        with open_regular(session.root, source.entry.raw_path) as stream:
            return stream.read(4) in _OWN_DECODER_MAGIC
    except (InputError, OSError):
        return True
