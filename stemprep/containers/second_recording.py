"""A second sound file behind the first, as joining two end to end leaves it.

Programs that go by the first header never play it, and a rewritten copy would not hold it.
"""

from __future__ import annotations

import re
from typing import Final

from stemprep.containers import faults
from stemprep.model.header import HeaderFault

HEAD_BYTES: Final = 40
_W64: Final = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000")
_KINDS: Final = (
    ("WAV", rb"RIFF....WAVE"),
    ("RF64", rb"RF64....WAVE"),
    ("BW64", rb"BW64....WAVE"),
    ("big-endian WAV", rb"RIFX....WAVE"),
    ("AIFF", rb"FORM....AIF[FC]"),
    ("CAF", rb"caff\x00\x01\x00\x00desc"),
    ("FLAC", rb"fLaC[\x00\x80]\x00\x00\x22"),
    ("Ogg", rb"OggS\x00\x02"),
    ("W64", re.escape(_W64) + rb".{8}wave"),
)
SECOND_FILE: Final = re.compile(
    b"|".join(form for kind, form in _KINDS if kind not in ("FLAC", "Ogg")), re.DOTALL
)
"""Heads that may be sought in sound: seven bytes or more, by chance once in 2**56 bytes."""


def second_recording(head: bytes, offset_bytes: int) -> HeaderFault | None:
    """Tell that the first ``HEAD_BYTES`` bytes behind all chunks begin another sound file.

    None where it is none of the usual containers.
    """
    kind = next((kind for kind, form in _KINDS if re.match(form, head, re.DOTALL)), None)
    if kind is None:
        return None
    found = f"a second sound file ({kind}) from byte {offset_bytes} on"
    return faults.ambiguous(
        "second-stream",
        found,
        "one",
        f"the file holds {found}, behind the first; it was not measured: some programs play it, "
        "most only the first",
    )
