"""From the faults of a file's structure to one finding per check."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from stemprep.checks.tell import about_file, severity_under
from stemprep.model.finding import Finding
from stemprep.model.header import HeaderFault
from stemprep.model.session import MeasuredFile
from stemprep.model.words import SEVERITY_ORDER, Ceiling, OperationName, Severity


def merged_faults(
    file: MeasuredFile, check: str, ceiling: Callable[[HeaderFault], Ceiling]
) -> Iterator[Finding]:
    """One finding for all faults of a check, worst first; a cure only where the worst have one.

    ceiling: the spec's ceiling for a fault; ``off`` leaves it out.
    """
    judged: list[tuple[Severity, HeaderFault]] = []
    for fault in file.facts.header.faults:
        severity = severity_under(ceiling(fault), fault.severity)
        if fault.check == check and severity is not None:
            judged.append((severity, fault))
    if not judged:
        return
    judged.sort(key=lambda pair: SEVERITY_ORDER[pair[0]])
    worst, leading = judged[0]
    texts = list(dict.fromkeys(fault.message for _, fault in judged))
    yield about_file(
        file,
        check,
        worst,
        message=" ".join(_sentence(text) for text in texts) if len(texts) > 1 else texts[0],
        advice=leading.advice,
        start_sample=leading.start_sample,
        found=leading.found,
        required=leading.required,
        repair=_common_repair([fault for severity, fault in judged if severity == worst]),
    )


def _common_repair(faults: list[HeaderFault]) -> OperationName | None:
    return faults[0].repair if all(fault.repair is not None for fault in faults) else None


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."
