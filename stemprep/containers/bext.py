"""The broadcast extension chunk, EBU Tech 3285 versions 0 to 2 (v2: May 2011)."""

from __future__ import annotations

import math
import struct
from typing import Final

from stemprep.model.header import Bext

FIXED_BYTES: Final = 602
UNUSED_LOUDNESS: Final = 0x7FFF
_TIME_REFERENCE_END = 346
_LAYOUT = struct.Struct("<256s32s32s10s8sQH64s5h180x")
_MAX_TIME_REFERENCE = 2**64 - 1


def parse_bext(payload: bytes) -> tuple[Bext | None, str]:
    """Read a payload; returns the record and what is malformed in words ("" where nothing is).

    A chunk shorter than 602 bytes is read as far as it goes; None where even the time
    reference is missing.
    """
    problem = ""
    if len(payload) < FIXED_BYTES:
        problem = f"{len(payload)} bytes instead of at least {FIXED_BYTES}"
        if len(payload) < _TIME_REFERENCE_END:
            return None, problem
    fields = _LAYOUT.unpack(payload[:FIXED_BYTES].ljust(FIXED_BYTES, b"\0"))
    version = fields[6]
    has_loudness = version >= 2 and len(payload) >= FIXED_BYTES
    loudness = [_loudness(code) if has_loudness else None for code in fields[8:13]]
    return (
        Bext(
            version=version,
            description=_text(fields[0]),
            originator=_text(fields[1]),
            originator_reference=_text(fields[2]),
            origination_date=_text(fields[3]),
            origination_time=_text(fields[4]),
            time_reference_samples=fields[5],
            umid=fields[7] if version >= 1 else b"",
            loudness_lufs=loudness[0],
            loudness_range_lu=loudness[1],
            max_true_peak_dbtp=loudness[2],
            max_momentary_lufs=loudness[3],
            max_short_term_lufs=loudness[4],
            coding_history=_text(payload[FIXED_BYTES:]),
        ),
        problem,
    )


def build_bext(bext: Bext) -> bytes:
    """Build a version 2 payload, whatever version the record came from (v2 is compatible).

    Text is ASCII where it can be, else UTF-8 (common practice), cut at a whole character.
    Loudness is 100 times the value, halves away from zero; None, infinite or out of the
    16-bit range is written as unused (0x7FFF). Coding history lines end with CR LF.
    Raises ValueError for a time reference outside 0 to 2**64 - 1.
    """
    if not 0 <= bext.time_reference_samples <= _MAX_TIME_REFERENCE:
        raise ValueError(f"no bext can hold the time reference {bext.time_reference_samples}")
    fixed = _LAYOUT.pack(
        _bytes(bext.description, 256),
        _bytes(bext.originator, 32),
        _bytes(bext.originator_reference, 32),
        _bytes(bext.origination_date, 10),
        _bytes(bext.origination_time, 8),
        bext.time_reference_samples,
        2,
        bext.umid[:64],
        _loudness_code(bext.loudness_lufs),
        _loudness_code(bext.loudness_range_lu),
        _loudness_code(bext.max_true_peak_dbtp),
        _loudness_code(bext.max_momentary_lufs),
        _loudness_code(bext.max_short_term_lufs),
    )
    history = "".join(f"{line}\r\n" for line in bext.coding_history.splitlines() if line)
    return fixed + history.encode("utf-8")


def _text(field: bytes) -> str:
    """Up to the first NUL; ASCII by the standard, UTF-8 or Latin-1 as found in the field."""
    content = field.split(b"\0", 1)[0]
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def _bytes(text: str, size: int) -> bytes:
    return text.encode("utf-8", "replace")[:size].decode("utf-8", "ignore").encode("utf-8")


def _loudness(code: int) -> float | None:
    return None if code == UNUSED_LOUDNESS else code / 100.0


def _loudness_code(value: float | None) -> int:
    if value is None or not math.isfinite(value):
        return UNUSED_LOUDNESS
    hundredths = math.floor(round(abs(value) * 100.0, 6) + 0.5)
    return (
        UNUSED_LOUDNESS if hundredths >= UNUSED_LOUDNESS else int(math.copysign(hundredths, value))
    )
