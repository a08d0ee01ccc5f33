"""The session sheet that a package's manifest keeps, held to what a sheet may say.

A package proves that it is whole, not who made it: its sheet is held to the same ranges and forms
as one that comes with a drop.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stemprep.errors import SpecError
from stemprep.model.record_codec import UnfitRecordError, decode_record
from stemprep.model.sheet import SessionSheet


def recorded_sheet(record: Mapping[str, Any], name: str) -> SessionSheet:
    """Give the sheet of a manifest's ``sheet``; SpecError names the first field that is unfit.

    record: fields of the sheet's records as JSON gives them; name: what messages call the file.
    """
    try:
        return decode_record(SessionSheet, {**record, "warnings": ()})
    except UnfitRecordError as error:
        raise SpecError(
            (
                f"{name}: sheet, {error}; "
                "the sheet of this package was not written by stemprep: use another copy of it",
            )
        ) from error
    except RecursionError as error:
        raise SpecError(
            (f"{name}: its sheet cannot be read; take another copy of the package",)
        ) from error
