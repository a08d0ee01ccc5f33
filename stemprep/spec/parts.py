"""The parts of a delivery spec besides its checks: key, record, meaning."""

from __future__ import annotations

from stemprep.model.facts import MeasureSettings
from stemprep.model.rule import Contents, Naming, Operations, Target

SPEC_PARTS: dict[str, tuple[type, str]] = {
    "measure": (MeasureSettings, "thresholds that steer measuring"),
    "target": (Target, "what a delivered file is to be"),
    "operations": (Operations, "what is done to files"),
    "naming": (Naming, "how delivered files are called"),
    "contents": (Contents, "what the package holds"),
}
