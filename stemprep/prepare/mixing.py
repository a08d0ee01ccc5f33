"""Add files up for a rough mix and all its minus-ones, block by block, in float64."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from stemprep.prepare.stream import Planar

MIX_CHANNELS = 2


class Feed(Protocol):
    """One file's sound on the mix's time axis; ``start`` only grows."""

    def take(self, start: int, end: int) -> np.ndarray[tuple[int, int], np.dtype[np.floating]]:
        """Samples [start, end), shape (channels, frames), zeros outside the file."""
        ...


@dataclass(frozen=True, slots=True)
class Fader:
    """One file at a mix: its feed, its way to left and right, shape (2, channels), who plays."""

    feed: Feed
    matrix: Planar
    player: str | None


def mixed(
    faders: Sequence[Fader], wanted: Sequence[str | None], frames: int, block_frames: int
) -> Iterator[tuple[Planar, ...]]:
    """Yield for every block one sum for each of ``wanted``, each of shape (2, frames).

    faders: in the order in which they are added. wanted: None for the whole mix, a player for the
    mix without that player: the whole less the sum of what that player plays, so that minus-one and
    player add up to the mix again within the last bits of float64.
    """
    players = {player for player in wanted if player is not None}
    for start in range(0, frames, block_frames):
        end = min(start + block_frames, frames)
        whole = np.zeros((MIX_CHANNELS, end - start))
        own = {player: np.zeros_like(whole) for player in players}
        for fader in faders:
            sound = _at_mix(fader, start, end)
            whole += sound
            if fader.player in own:
                own[fader.player] += sound
        yield tuple(whole if player is None else whole - own[player] for player in wanted)


def _at_mix(fader: Fader, start: int, end: int) -> Planar:
    samples = fader.feed.take(start, end).astype(np.float64)
    gains = fader.matrix if samples.shape[0] == 1 else np.diag(fader.matrix)[:, None]
    return np.asarray(gains * samples)
