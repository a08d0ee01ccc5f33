"""What a rough mix is made of, decided before it is made."""

from __future__ import annotations

from dataclasses import dataclass

from stemprep.model.plan import LeftOut


@dataclass(frozen=True, slots=True, kw_only=True)
class MixPart:
    """One file of the package that goes into a rough mix.

    path:     in the package.
    level_db: fader level by the sheet, 0 dB unity; None: not stated, so unity.
    pan:      -100 left to 100 right by the sheet; None: not stated, so the centre.
    player:   who plays (``vocals``); None where nobody told.
    """

    path: str
    channels: int
    level_db: float | None = None
    pan: float | None = None
    player: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """The rough mix of one song.

    supplied: package path of a rough mix or mix that came with the drop; it is used as it is.
    parts:    what a mix is made from where none was supplied, and every minus-one, by path.
    left_out: files of the package that have no place in a rough mix, and why.
    adds_up_to: package path of the mix that the parts, added up as they are, were shown to null
              with; None where they were not, or where the sheet orders levels of its own.
    """

    song: str
    supplied: str | None
    parts: tuple[MixPart, ...]
    left_out: tuple[LeftOut, ...] = ()
    adds_up_to: str | None = None

    @property
    def is_balanced(self) -> bool:
        """True where the sheet gives a level for every part, or the parts add up to a mix."""
        is_stated = all(part.level_db is not None for part in self.parts)
        return is_stated or self.adds_up_to is not None

    @property
    def title(self) -> str:
        """What the sum may be called."""
        return "Rough mix" if self.is_balanced else "Unbalanced sum"

    @property
    def players(self) -> tuple[str, ...]:
        """Who can be left out so that others remain, in alphabetical order."""
        players = {part.player for part in self.parts if part.player is not None}
        if len({part.player for part in self.parts}) < 2:
            return ()
        return tuple(sorted(players))

    def without(self, player: str) -> tuple[MixPart, ...]:
        """The parts of one player, which a minus-one leaves out."""
        return tuple(part for part in self.parts if part.player == player)
