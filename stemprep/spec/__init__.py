"""YAML to frozen delivery specs and session sheets; every fault told with file, line and column.

Nothing heavy is loaded before it is needed: listing the shipped specs must stay quick, so the
YAML reader comes in with the first ``load_...`` or ``json_schema``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from stemprep.spec.shipped import shipped_specs, spec_source, spec_summary

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stemprep.model.rule import DeliverySpec
    from stemprep.model.service import ServiceConfig
    from stemprep.model.sheet import SessionSheet
    from stemprep.spec.sheets import TempoFiles

__all__ = [
    "json_schema",
    "load_recorded_sheet",
    "load_service",
    "load_sheet",
    "load_spec",
    "shipped_specs",
    "spec_source",
    "spec_summary",
]


def load_spec(name_or_path: str | Path) -> DeliverySpec:
    """Give the spec of a shipped name or a YAML file, everything it extends folded in.

    A shipped name wins over a file of the same name in the working folder; write
    ``./mastering.yaml`` for the file. Raises SpecError with all problems at once.
    """
    from stemprep.spec.resolved import resolved_or_read

    return resolved_or_read(name_or_path)


def load_sheet(content: bytes, name: str, tempo_files: TempoFiles | None = None) -> SessionSheet:
    """Give the session sheet from a drop's bytes; ``name`` is what the messages call the file.

    tempo_files: gives the content of a song's ``tempo_file``; None: they are not read.
    Raises SpecError with all problems at once. Reads no other file itself: a sheet comes with the
    drop and cannot extend, send or point outside it.
    """
    from stemprep.spec.sheets import read_sheet

    return read_sheet(content, name, tempo_files)


def load_service(path: Path) -> ServiceConfig:
    """Give the service's config; relative paths in it count from the folder that it lies in.

    Raises SpecError with all problems at once, those of the specs that it names among them.
    """
    from stemprep.spec.services import read_service

    return read_service(path)


def load_recorded_sheet(record: Mapping[str, Any], name: str) -> SessionSheet:
    """Give the session sheet that a manifest keeps; ``name`` is what the messages call the file.

    record: the manifest's ``sheet``. Raises SpecError for what no sheet may say.
    """
    from stemprep.spec.sheets import recorded_sheet

    return recorded_sheet(record, name)


def json_schema(kind: Literal["spec", "sheet", "service"]) -> dict[str, Any]:
    """Give the JSON schema (draft 2020-12) of a spec, a session sheet or a config, for editors."""
    from stemprep.spec.editors import schema_of

    return schema_of(kind)
