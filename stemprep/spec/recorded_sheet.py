"""The session sheet that a package's manifest keeps, held to what a sheet may say.

A package proves that it is whole, not who made it: its sheet is read with the same schema as one
that comes with a drop.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from stemprep.errors import SpecError
from stemprep.model.sheet import SessionSheet
from stemprep.spec.recorded_tempo import recorded_tempo
from stemprep.spec.schema_sheet import SheetKeys
from stemprep.spec.sheets import sheet_of

_NOT_SAID = ("sha256", "warnings", "tempo_read", "move_reason", "is_from_start")
"""Fields of the records that no sheet states: they were found while it was read."""
_KEYS = {"pattern": "file"}


def recorded_sheet(record: Mapping[str, Any], name: str) -> SessionSheet:
    """Give the sheet of a manifest's ``sheet``; SpecError names the fields that do not hold.

    record: fields of the sheet's records as JSON gives them; name: what messages call the file.
    """
    try:
        model = SheetKeys.model_validate_json(json.dumps(_as_written(record)))
        values = model.model_dump(exclude_unset=True)
        records = record.get("songs") or ()
        for song, recorded in zip(values.get("songs", ()), records, strict=True):
            if recorded.get("tempo_read") is not None:
                song["tempo_read"] = recorded_tempo(json.dumps(recorded["tempo_read"]))
    except (ValidationError, ValueError, RecursionError) as error:
        raise SpecError(_problems(error, name)) from error
    sha256 = record.get("sha256")
    return sheet_of(
        values,
        sha256=sha256 if isinstance(sha256, str) else "",
        warnings=(),
    )


def _as_written(value: Any) -> Any:
    """Give keys as a person writes them; what is not stated is left out."""
    if isinstance(value, Mapping):
        return {
            _KEYS.get(key, key.removeprefix("is_")): _as_written(item)
            for key, item in value.items()
            if key not in _NOT_SAID and item is not None and item != []
        }
    return [_as_written(item) for item in value] if isinstance(value, list) else value


def _problems(error: Exception, name: str) -> tuple[str, ...]:
    if not isinstance(error, ValidationError):
        return (f"{name}: its sheet cannot be read; take another copy of the package",)
    return tuple(
        f"{name}: sheet, {'.'.join(map(str, problem['loc']))}: {problem['msg']}; "
        "the sheet of this package was not written by stemprep: use another copy of it"
        for problem in error.errors(include_url=False, include_input=False)[:20]
    )
