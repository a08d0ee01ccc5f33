"""A damaged package beside a copy of it: where its files differ, and what to fetch from where."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from stemprep.containers import read_header
from stemprep.model.package import Damage, DamageCause, DamageKind, Verification
from stemprep.package import (
    TAG_MANIFEST,
    ByteDifference,
    byte_difference,
    make_parents,
    opened_file,
    opened_folder,
    set_aside,
    shell_line,
)
from stemprep.units import clock_from_samples

MAX_FLIPPED_BITS = 64
"""Up to so many single bits are listed as such; more are told as a stretch."""
FETCHED_KINDS: frozenset[DamageKind] = frozenset(
    ("missing", "changed", "audio-changed", "header-changed", "tag")
)
_WHOLE_AT = "it lies whole in the copy"


def is_same_package(one: Verification, other: Verification) -> bool:
    """Tell two copies of one package, also where a list of hashes of one of them is damaged."""
    if one.tag_manifest_sha256 is not None and (
        one.tag_manifest_sha256 == other.tag_manifest_sha256
    ):
        return True
    damaged = {damage.path for damage in (*one.damages, *other.damages)}
    if TAG_MANIFEST not in damaged:
        return False
    return any(
        other.lists.get(name) == digest
        for name, digest in one.lists.items()
        if name not in damaged and name != TAG_MANIFEST
    )


def fetchable(damaged: Verification, other: Verification) -> tuple[str, ...]:
    """Files of a damaged package that another copy of the same package holds whole."""
    if not is_same_package(damaged, other):
        return ()
    not_whole = {damage.path for damage in other.damages}
    return tuple(
        damage.path
        for damage in damaged.damages
        if damage.kind in FETCHED_KINDS
        and damage.path not in not_whole
        and not (damage.found_at and damaged.commands)
    )


def fetch_commands(paths: Sequence[str], to: Path, source: Path) -> tuple[str, ...]:
    """Lines of a shell that fetch files from a copy; what lies in their place is set aside first.

    Empty where a name cannot be written on a line.
    """
    if not paths or not all(path.isprintable() for path in (*paths, str(to), str(source))):
        return ()
    return tuple(_fetch(paths, to.absolute(), source.absolute()))


def _fetch(paths: Sequence[str], to: Path, source: Path) -> Iterator[str]:
    yield shell_line("cd", "--", str(to))
    yield from set_aside(path for path in paths if os.path.lexists(to / path))
    yield from make_parents(path for path in paths if not os.path.lexists(to / path))
    for path in paths:
        yield f"cp -n -- {shlex.quote(str(source / path))} {shlex.quote(path)}"


def explained_beside(
    damaged: Verification, paths: Sequence[str], root: Path, copy: Path
) -> Verification:
    """Say of each changed file where it differs from the one in the copy, which is whole.

    A file that cannot be read again keeps what was said of it.
    """
    here = frozenset(paths)
    return replace(
        damaged,
        damages=tuple(
            _explained(damage, root, copy)
            if damage.path in here and damage.kind != "missing" and damage.cause != "swapped"
            else damage
            for damage in damaged.damages
        ),
    )


def _explained(damage: Damage, root: Path, copy: Path) -> Damage:
    try:
        found = byte_difference(root, damage.found_at or damage.path, copy, damage.path)
    except OSError:
        return damage
    first = found.first
    if found.bytes_differ == 0 and found.damaged_bytes < found.whole_bytes:
        at = found.damaged_bytes
        message = f"is cut off at byte {at:,} of {found.whole_bytes:,}"
        return _placed(damage, "cut-off", message, at, copy)
    if found.bytes_differ == 0 and found.damaged_bytes > found.whole_bytes:
        at = found.whole_bytes
        more = found.damaged_bytes - at
        message = (
            f"{more:,} bytes were added after its end, byte {at:,}; all before is as delivered"
        )
        return _placed(damage, "grown", message, at, copy)
    if first is None:
        return damage
    if found.damaged_bytes == found.whole_bytes and found.bits_differ <= MAX_FLIPPED_BITS:
        return _placed(damage, "flipped-bits", _bits_words(found), first, copy)
    if found.bytes_differ * 2 > min(found.damaged_bytes, found.whole_bytes):
        message = (
            f"is another file, or was written anew ({found.damaged_bytes:,} bytes, "
            f"{found.whole_bytes:,} were delivered); it differs from byte {first:,} on; keep it, "
            "outside the package"
        )
        return _placed(damage, "replaced", message, first, copy)
    message = (
        f"{found.bytes_differ:,} of its {found.whole_bytes:,} bytes were overwritten, from byte "
        f"{first:,} to {found.last:,}{_length_words(found)}; all else is as delivered"
    )
    return _placed(damage, "overwritten", message, first, copy)


def _length_words(found: ByteDifference) -> str:
    more = found.damaged_bytes - found.whole_bytes
    if not more:
        return ""
    return f", and it is {abs(more):,} bytes {'longer' if more > 0 else 'shorter'}"


def _bits_words(found: ByteDifference) -> str:
    places = ", ".join(f"{at:,}" for at, _ in found.places)
    more = (
        f" and {found.bytes_differ - len(found.places):,} more" if found.bytes_differ > 10 else ""
    )
    bits = "1 bit is" if found.bits_differ == 1 else f"{found.bits_differ} bits are"
    byte = "byte" if found.bytes_differ == 1 else "bytes"
    return f"{bits} flipped, in {byte} {places}{more} of {found.whole_bytes:,}"


def _placed(damage: Damage, cause: DamageCause, message: str, at: int, copy: Path) -> Damage:
    at_s = _time_in_sound(copy, damage.path, at)
    if at_s is not None:
        message += f" ({clock_from_samples(round(at_s * 1_000_000), 1_000_000)} in the sound)"
    if damage.kind == "header-changed":
        message += "; the sound is as delivered, to the sample"
    return replace(damage, cause=cause, message=f"{message}; {_WHOLE_AT}", at_byte=at, at_s=at_s)


def _time_in_sound(root: Path, path: str, at_byte: int) -> float | None:
    """Where in the sound a byte of a whole file lies, s; None outside it and for coded sound."""
    try:
        with (
            opened_folder(root, is_link_allowed=True) as folder,
            opened_file(folder, path) as descriptor,
            open(descriptor, "rb", closefd=False) as stream,
        ):
            header = read_header(stream, os.fstat(descriptor).st_size, path)
    except OSError:
        return None
    inside = at_byte - header.data_offset_bytes
    if header.format is None or not 0 <= inside < header.data_size_bytes:
        return None
    return inside // header.format.frame_bytes / header.format.sample_rate_hz
