"""One cause is told once: which findings stand when one explains another on the same file."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.finding import Finding
from stemprep.model.words import SEVERITY_ORDER


@dataclass(frozen=True, slots=True)
class Explanation:
    """``cause`` explains each of ``effects`` on the same file.

    is_artefact: the effect means nothing where the cause holds (the level of a file with NaN) and
                 goes whatever its severity; otherwise it goes only when the cause is at least as
                 severe, so that no verdict gets milder.
    unit:        the effect is explained only where this is its unit; "" for any.
    """

    cause: str
    effects: frozenset[str]
    is_artefact: bool = False
    unit: str = ""


_LEVELS = frozenset({"clipping", "sample-peak", "true-peak", "loudness", "dc-offset"})
_SIDES = frozenset({"silent-channel", "dual-mono", "stereo-polarity"})
_EDGES = frozenset({"head-silence", "tail-silence"})
_CHARACTER = frozenset({"padded-word", "bandwidth", "noise-floor", "hum"})
_FLAWS = frozenset({"dropout", "click", "cut-off"})
_SILENCE_LEAVES_NOTHING = frozenset({"loudness", "dc-offset", "padded-word"})

EXPLANATIONS = (
    Explanation(
        "unreadable",
        frozenset({"truncated", "header", "checksum", "lossy-source", "container"})
        | {"sample-rate", "bit-depth", "channel-count"},
    ),
    Explanation("truncated", frozenset({"header", "checksum", "length", "cut-off"})),
    Explanation("checksum", frozenset({"dropout"})),
    Explanation("lossy-source", frozenset({"container", "bit-depth", "mixed-formats"})),
    Explanation(
        "not-finite",
        _LEVELS | _SIDES | _EDGES | _CHARACTER | _FLAWS | {"silent-file"},
        is_artefact=True,
    ),
    Explanation(
        "wrong-word-label", _LEVELS | _SIDES | _EDGES | _CHARACTER | _FLAWS, is_artefact=True
    ),
    Explanation("silent-file", _SIDES | _EDGES | _SILENCE_LEAVES_NOTHING, is_artefact=True),
    Explanation("silent-channel", frozenset({"dual-mono"}), is_artefact=True),
    Explanation("clipping", frozenset({"sample-peak", "true-peak"})),
    Explanation("sample-peak", frozenset({"true-peak"})),
    Explanation("bit-depth", frozenset({"padded-word"})),
    Explanation("sample-rate", frozenset({"mixed-formats"}), unit="Hz"),
    Explanation("bit-depth", frozenset({"mixed-formats"}), unit="bit"),
    Explanation("container", frozenset({"mixed-formats"}), unit="container"),
    Explanation("start-alignment", frozenset({"length"})),
    Explanation("wrong-rate-label", frozenset({"length"})),
    Explanation("wrong-rate-label", frozenset({"mixed-formats"}), unit="Hz"),
)
"""No effect is a cause of its own cause, and nothing that cannot be waived has a waivable cause."""


_CAUSES = frozenset(explanation.cause for explanation in EXPLANATIONS)


def told_once(findings: Sequence[Finding]) -> tuple[list[Finding], list[Finding]]:
    """Return findings that stand, and those that another one explains.

    A finding on several files is explained only when each of its files has the cause.
    """
    causes: dict[str, list[Finding]] = defaultdict(list)
    for finding in findings:
        for path in finding.files if finding.check in _CAUSES else ():
            causes[path].append(finding)
    standing: list[Finding] = []
    explained: list[Finding] = []
    for finding in findings:
        is_explained = bool(finding.files) and all(
            any(_explains(cause, finding) for cause in causes[path]) for path in finding.files
        )
        (explained if is_explained else standing).append(finding)
    return standing, explained


def _explains(cause: Finding, effect: Finding) -> bool:
    is_as_bad = SEVERITY_ORDER[cause.severity] <= SEVERITY_ORDER[effect.severity]
    return any(
        cause.check == explanation.cause
        and effect.check in explanation.effects
        and explanation.unit in ("", effect.unit)
        and (explanation.is_artefact or is_as_bad)
        for explanation in EXPLANATIONS
    )
