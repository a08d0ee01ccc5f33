"""Hold a report against an earlier one of the same drop: fixed since then, still there, new."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from stemprep.errors import InputError
from stemprep.model.report import Report
from stemprep.model.since import Place, Since

MAX_BYTES = 256 * 1024**2
"""A report of 10,000 files is about 60 MB; more is no report of ours."""


def read_earlier(file: Path) -> frozenset[Place]:
    """What counted in an earlier JSON report. Raises InputError."""
    try:
        if file.stat().st_size > MAX_BYTES:
            raise _no_report(file, f"it is larger than {MAX_BYTES // 1024**2} MB")
        content = json.loads(file.read_bytes())
    except OSError as error:
        raise InputError(
            f"{file}: cannot be read ({error.strerror}); name a JSON report"
        ) from error
    except (ValueError, RecursionError) as error:
        raise _no_report(file, "it is not JSON") from error
    findings = content.get("findings") if isinstance(content, dict) else None
    if not isinstance(findings, list):
        raise _no_report(file, "it holds no findings")
    try:
        return frozenset(place for each in findings for place in _places_of(each))
    except (KeyError, TypeError, AttributeError) as error:
        raise _no_report(file, "its findings are not those of a report") from error


def _no_report(file: Path, found: str) -> InputError:
    return InputError(f"{file}: {found}; name what 'stemprep check DROP --json FILE' wrote")


def _places_of(finding: dict[str, Any]) -> Iterator[Place]:
    if finding["severity"] in ("fail", "warn") and finding["waived_by"] is None:
        files = finding["files"] or [finding["file"] or ""]
        for path in files:
            if not isinstance(path, str) or not isinstance(finding["check"], str):
                raise TypeError(path)
            yield finding["check"], path


def since(report: Report, earlier: Iterable[Place], name: str) -> Since:
    """Compare what counts now with what counted then."""
    then = set(earlier)
    now = {
        (each.check, path)
        for each in report.findings
        if each.severity != "note" and each.counts
        for path in (each.files or (each.file or "",))
    }
    return Since(
        name=name,
        fixed=tuple(sorted(then - now)),
        still=tuple(sorted(then & now)),
        new=tuple(sorted(now - then)),
    )
