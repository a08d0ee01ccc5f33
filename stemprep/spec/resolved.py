"""The shipped specs, resolved beforehand: a check then needs no YAML reader.

``configs/resolved.json`` holds what reading the shipped YAML gives, and the sha256 of that YAML.
Where the two do not agree the YAML is read, so the file can be old but never wrong.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stemprep.model.rule import DeliverySpec
from stemprep.spec.freezing import frozen_spec
from stemprep.spec.shipped import configs_folder, shipped_path, shipped_specs

RESOLVED_FILE = "resolved.json"


def resolved_or_read(name_or_path: str | Path) -> DeliverySpec:
    """Give a shipped spec as it was resolved beforehand, any other by reading its YAML."""
    if isinstance(name_or_path, str) and name_or_path in shipped_specs():
        known = resolved_spec(name_or_path)
        if known is not None:
            return known
    from stemprep.spec.loading import load  # a check by a shipped spec reads no YAML

    return load(name_or_path)


def resolved_spec(name: str) -> DeliverySpec | None:
    """Give a shipped spec from the resolved file; None where that is missing or out of step."""
    try:
        known = json.loads((configs_folder() / RESOLVED_FILE).read_text(encoding="utf-8"))
        if known["yaml_sha256"] != _yaml_sha256():
            return None
        entry = known["specs"][name]
        return frozen_spec(name, entry["content"], tuple(entry["warnings"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def resolved_text(contents: Mapping[str, tuple[Mapping[str, Any], tuple[str, ...]]]) -> str:
    """Write the resolved file; contents: name -> (resolved content, warnings)."""
    specs = {
        name: {"content": content, "warnings": warnings}
        for name, (content, warnings) in contents.items()
    }
    known = {"yaml_sha256": _yaml_sha256(), "specs": specs}
    return json.dumps(known, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _yaml_sha256() -> str:
    digest = hashlib.sha256()
    for name in shipped_specs():
        digest.update(f"{name}\n".encode() + shipped_path(name).read_bytes() + b"\n")
    return digest.hexdigest()
