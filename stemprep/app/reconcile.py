"""Hold what came back of a delivery against the package that went out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from stemprep import __version__
from stemprep.app.inspect import Inspection, OnProgress, inspected, no_progress
from stemprep.checks import judge_return
from stemprep.engine import Engine, ProcessEngine
from stemprep.errors import DeliveryError
from stemprep.lineage import Manifest, parse_manifest
from stemprep.lineage.forms import format_of, session_formats
from stemprep.lineage.matching import Match, Matches, match_originals
from stemprep.model.reconciliation import OriginalFate, Reconciliation, Returned
from stemprep.package import listed_hashes, read_manifest, verify_package
from stemprep.spec import shipped_specs

PAYLOAD = "data"
_FALLBACK_SPEC = "base"


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """A whole package: where it lies, its manifest, and the hashes of all in its payload."""

    folder: Path
    manifest: Manifest
    listed: Mapping[str, str]

    @property
    def generated(self) -> dict[str, str | None]:
        """sha256 -> audio sha256 of everything in it that was made from no dropped sound."""
        originals = {f"{PAYLOAD}/{file.path}" for file in self.manifest.dropped_files}
        found: dict[str, str | None] = {
            digest: None for path, digest in self.listed.items() if path not in originals
        }
        for file in self.manifest.files:
            if f"{PAYLOAD}/{file.path}" not in originals:
                found[file.sha256] = file.audio_sha256
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A return, measured and held against its package; unpacked files live with the context."""

    inspection: Inspection
    delivered: Delivered
    matches: Matches
    returned: Returned


def reconcile(
    returned: Path,
    package: Path,
    spec_name: str | Path | None = None,
    *,
    everything_asked: bool = False,
    engine: Engine | None = None,
    on_progress: OnProgress = no_progress,
) -> Reconciliation:
    """What came back untouched, changed, not at all, and what is new.

    spec_name: None for the package's own spec where that is a shipped one, else the house rules.
    Raises DeliveryError for a package that is not whole, and what ``inspected`` raises.
    """
    with held_against(
        returned,
        package,
        spec_name,
        everything_asked=everything_asked,
        engine=engine,
        on_progress=on_progress,
    ) as held:
        return judged(held)


def judged(held: Held) -> Reconciliation:
    """The return with its findings."""
    spec = held.inspection.spec
    return Reconciliation(
        stemprep_version=__version__,
        spec_name=spec.name,
        returned=held.returned,
        findings=judge_return(held.returned, held.inspection.judgement.findings, spec),
        notes=held.inspection.remarks,
    )


@contextmanager
def held_against(
    returned: Path,
    package: Path,
    spec_name: str | Path | None,
    *,
    everything_asked: bool,
    engine: Engine | None,
    on_progress: OnProgress,
) -> Iterator[Held]:
    """Measure a return and compare it with a package; see ``reconcile`` for what it raises."""
    chosen = engine or ProcessEngine()
    delivered = read_delivered(package, chosen)
    spec = spec_name or _spec_of(delivered.manifest)
    with inspected(returned, spec, engine=engine, on_progress=on_progress) as inspection:
        matches = match_originals(
            delivered.manifest.dropped_files, inspection.measured.files, delivered.generated
        )
        result = Returned(
            package=package.resolve().name,
            number=delivered.manifest.delivery,
            returned=inspection.measured.session.name,
            originals=tuple(_fate(match) for match in matches.originals),
            new_files=(),
            session_formats=session_formats(delivered.manifest),
            everything_asked=everything_asked,
            given_back=matches.given_back,
            unread=matches.unread,
        )
        yield Held(inspection=inspection, delivered=delivered, matches=matches, returned=result)


def read_delivered(package: Path, engine: Engine) -> Delivered:
    """Verify a package and read its manifest; DeliveryError where it is not whole or not ours."""
    proof = verify_package(package, run_jobs=engine.run)
    if not (proof.is_whole and proof.is_complete):
        first = proof.damages[0] if proof.damages else None
        reason = f"{first.path}: {first.message}" if first else "its transfer did not finish"
        raise DeliveryError(
            f"{package}: is not whole ({reason}); run stemprep verify on it, and compare with a "
            "whole copy"
        )
    manifest = parse_manifest(read_manifest(package), str(package))
    return Delivered(folder=package, manifest=manifest, listed=listed_hashes(package))


def _spec_of(manifest: Manifest) -> str:
    return manifest.spec_name if manifest.spec_name in shipped_specs() else _FALLBACK_SPEC


def _fate(match: Match) -> OriginalFate:
    original = match.original
    return OriginalFate(
        file=f"{PAYLOAD}/{original.path}",
        source=original.sources[0].path,
        song=original.song,
        role=original.role,
        format=format_of(original),
        frames=original.whole("frames") or 0,
        returned_as=None if match.returned is None else match.returned.path,
        status=match.status,
        matched=match.matched,
        is_renamed=match.is_renamed,
        copies=match.copies,
    )
