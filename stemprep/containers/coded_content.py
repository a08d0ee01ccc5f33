"""What is told of sound that is recognised and not decoded."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CodedContent:
    """Coding in words; rate and channels are 0 where the file does not tell them simply.

    is_known:    False where only the container shows that its sound is usually coded with loss.
    is_lossless: True for codings that lose nothing and are still not decoded here.
    """

    coding: str
    is_known: bool = True
    is_lossless: bool = False
    sample_rate_hz: int = 0
    channels: int = 0
