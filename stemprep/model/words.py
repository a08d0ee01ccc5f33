"""The closed lists of words that findings, specs and reports share."""

from __future__ import annotations

from typing import Literal, get_args

Severity = Literal["fail", "warn", "note"]
Ceiling = Literal["fail", "warn", "note", "off"]
Verdict = Literal["pass", "warn", "fail"]

Role = Literal[
    "mix",
    "alternate-mix",
    "rough-mix",
    "listening-reference",
    "stem",
    "track",
    "di",
    "effect-return",
    "guide",
    "talkback",
    "click",
    "document",
    "unknown",
]
ROLES: tuple[Role, ...] = get_args(Role)
CARRIED_ROLES: frozenset[Role] = frozenset({"listening-reference", "document"})
"""Roles that are carried as they are: nothing has to line up with them."""
LOOSE_ROLES: frozenset[Role] = frozenset({"talkback", "click", "guide", "rough-mix"})
"""Roles that are placed like the rest, and whose start, length and format are nobody's measure."""

Container = Literal[
    "WAV",
    "RF64",
    "BW64",
    "RIFX",
    "W64",
    "AIFF",
    "AIFC",
    "CAF",
    "FLAC",
    "MP3",
    "OGG",
    "MP4",
    "unknown",
]
Encoding = Literal["integer", "float", "lossy", "companded", "unknown"]
TruePeakFilter = Literal["long", "hann-49", "annex-2"]

OperationName = Literal[
    "copy",
    "copy-audio",
    "rewrap",
    "place",
    "trim",
    "pad",
    "convert-rate",
    "convert-word-length",
    "split",
    "join",
    "fold-mono",
    "remove-dc",
    "gain",
    "edge-fade",
    "rename",
    "sum",
    "generate",
]
OPERATION_NAMES: tuple[OperationName, ...] = get_args(OperationName)

CompanionKind = Literal[
    "rough-mix",
    "minus-ones",
    "listening-copies",
    "click",
    "tempo-map",
    "markers",
    "track-sheet",
    "returns",
    "consolidated",
    "names-table",
]
COMPANION_KINDS: tuple[CompanionKind, ...] = get_args(CompanionKind)
"""What can be made for a package beside the files that were dropped."""

SEVERITY_ORDER: dict[str, int] = {"fail": 0, "warn": 1, "note": 2}


def lower_severity(left: Severity, right: Severity) -> Severity:
    """The milder of two severities."""
    return left if SEVERITY_ORDER[left] >= SEVERITY_ORDER[right] else right
