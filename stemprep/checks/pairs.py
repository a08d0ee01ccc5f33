"""Two mono files that are the sides of one stereo track, found by name."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from stemprep.checks.heard import Heard
from stemprep.naming import split_extension

_TRACK_NUMBER = re.compile(r"^\d{1,3}[ _.\-]+")
_FORMAT_TAIL = re.compile(r"[ _.\-]\d{2,3}k\d{2}f?$")
_SIDE = re.compile(r"^(?P<base>.*\S)[ _.\-](?P<side>l|r|left|right)$")
_LETTER = re.compile(r"^(?P<base>.*\S)[ _.\-](?P<letter>[a-z])$")

Side = Literal["left", "right"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Both sides of one name; ``obstacle`` says in words why they cannot be joined as they are."""

    left: Heard
    right: Heard
    obstacle: str = ""


def pairs_of(compared: Sequence[Heard]) -> tuple[list[Pair], list[Heard]]:
    """Pairs by name among mono files, and the sides that stand alone.

    A side whose name has a sibling with another letter (Tom_L beside Tom_H: low and high) is no
    side. A track number in front and a rate and word length at the end do not count.
    """
    sides: dict[str, dict[Side, list[Heard]]] = defaultdict(lambda: defaultdict(list))
    other_letters: set[str] = set()
    for item in compared:
        if item.format.channels != 1:
            continue
        name = _plain_name(item.file.path)
        if match := _SIDE.match(name):
            side: Side = "left" if match["side"] in ("l", "left") else "right"
            sides[match["base"]][side].append(item)
        elif match := _LETTER.match(name):
            other_letters.add(match["base"])
    pairs: list[Pair] = []
    alone: list[Heard] = []
    for base, by_side in sides.items():
        lefts, rights = by_side["left"], by_side["right"]
        pairs += [_pair(left, right) for left, right in zip(lefts, rights, strict=False)]
        rest = [*lefts[len(rights) :], *rights[len(lefts) :]]
        alone += [] if base in other_letters else rest
    return pairs, alone


def _plain_name(path: str) -> str:
    """Folder and stem in small letters, without track number and format."""
    folder, slash, name = path.rpartition("/")
    stem = split_extension(name)[0].casefold()
    return folder + slash + _FORMAT_TAIL.sub("", _TRACK_NUMBER.sub("", stem))


def _pair(left: Heard, right: Heard) -> Pair:
    gap = left.sound.frames - right.sound.frames
    if left.format.sample_rate_hz != right.format.sample_rate_hz:
        obstacle = "their sample rates differ"
    elif (left.format.bit_depth, left.format.encoding) != (
        right.format.bit_depth,
        right.format.encoding,
    ):
        obstacle = "their word lengths differ"
    elif gap:
        obstacle = f"the {'right' if gap > 0 else 'left'} side is {abs(gap):,} samples shorter"
    else:
        obstacle = ""
    return Pair(left=left, right=right, obstacle=obstacle)
