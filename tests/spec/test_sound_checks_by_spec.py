"""What the shipped specs make of the checks of sound, by role (common practice, no source)."""

from __future__ import annotations

import pytest

from stemprep.model.words import Role
from stemprep.spec import load_spec


@pytest.mark.parametrize(("spec", "check", "role", "severity"), [
    ("base", "padded-word", "mix", "note"),
    ("mastering", "padded-word", "mix", "warn"),
    ("mastering", "padded-word", "stem", "warn"),
    ("mastering", "padded-word", "track", "note"),
    ("base", "bandwidth", "mix", "note"),
    ("mastering", "bandwidth", "mix", "warn"),
    ("mastering", "bandwidth", "stem", "note"),
    ("mastering", "hum", "mix", "note"),
    ("mastering", "noise-floor", "stem", "note"),
    ("mastering", "click", "stem", "warn"),
    ("mastering", "click", "click", "off"),
    ("base", "click", "guide", "note"),
    ("overdub", "click", "guide", "warn"),
    ("overdub", "click", "click", "off"),
    ("base", "dropout", "guide", "note"),
    ("overdub", "dropout", "guide", "warn"),
    ("overdub", "dropout", "click", "note"),
    ("archive", "click", "track", "warn"),
    ("archive", "dropout", "track", "warn"),
    ("archive", "dc-offset", "track", "note"),
    ("archive", "dc-offset", "listening-reference", "off"),
    ("archive", "head-silence", "mix", "note"),
    ("archive", "tail-silence", "alternate-mix", "note"),
    ("archive", "true-peak", "mix", "note"),
])  # fmt: skip
def test_severity(spec: str, check: str, role: Role, severity: str) -> None:
    assert load_spec(spec).rule(check, role).severity == severity
