"""What the checks on microphones share: which lags count, and how people call the files."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.pairs import pairs_of
from stemprep.checks.song import songs_of
from stemprep.model.definition import Key, Range
from stemprep.model.mic_pairs import MicPair, pair_of_lag
from stemprep.model.rule import Rule, RuleTable
from stemprep.model.session import MeasuredSession
from stemprep.naming import file_name, split_extension

# ms: as far as microphones are sought (``timing/wide_search.py``).
_DELAY = Range(0, 2_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class MicDelayRule(Rule):
    """How late a microphone may usually be against another that hears the same source."""

    max_close_ms: Annotated[
        float, _DELAY, Key("between microphones at one source, or an amp and its DI, ms", 10.0)
    ]
    max_overhead_ms: Annotated[float, _DELAY, Key("an overhead after a close microphone, ms", 12.0)]
    max_room_ms: Annotated[float, _DELAY, Key("a room microphone after a close one, ms", 100.0)]
    max_early_ms: Annotated[
        float, _DELAY, Key("an overhead or room microphone before a close one, ms", 5.0)
    ]
    air_temperature_c: Annotated[
        float, Range(-40, 60), Key("air temperature by which times are put as distances, C", 20.0)
    ]


# In one sentence; the report lists all.
MOST_NAMED = 3
_TRACK_NUMBER = re.compile(r"^\d{1,3}[ _.\-]+(?=\D)")
_WORD = re.compile(r"[^\W\d_]+")
_TWO_SIDES = (
    (frozenset({"top", "over"}), frozenset({"bot", "bottom", "btm", "under"})),
    (frozenset({"front"}), frozenset({"back", "rear"})),
)


def air_temperature_c(rules: RuleTable) -> float:
    """Temperature by which times are put as distances, from the rules of mic-delay."""
    rule = rules.default
    assert isinstance(rule, MicDelayRule), "the rule of mic-delay"
    return rule.air_temperature_c


def spoken(path: str) -> str:
    """``Drums/11_Room L.wav`` -> ``Room L``."""
    name = split_extension(file_name(path))[0]
    return _TRACK_NUMBER.sub("", name) or name


def known_pairs(measured: MeasuredSession, temperature_c: float) -> dict[str, list[MicPair]]:
    """Pairs with a verdict by the path of their file, the surest first."""
    by_file: dict[str, list[MicPair]] = {}
    for lag in measured.mic_lags:
        pair = pair_of_lag(lag, temperature_c)
        if pair is not None:
            by_file.setdefault(pair.file, []).append(pair)
    for pairs in by_file.values():
        pairs.sort(key=lambda pair: (pair.relation == "kit", -pair.confidence))
    return by_file


def without_far_sides(by_file: Mapping[str, Sequence[MicPair]]) -> dict[str, list[MicPair]]:
    """Pairs whose reference is not itself inverted against another: it hears the far side."""
    far = {
        pair.file
        for pairs in by_file.values()
        for pair in pairs
        if pair.relation != "kit" and pair.polarity == "inverted"
    }
    return {
        path: [pair for pair in pairs if pair.reference not in far]
        for path, pairs in by_file.items()
    }


def are_opposite_sides(left: str, right: str) -> bool:
    """True for top and bottom, front and back, by the words of two names."""
    first, second = (set(_WORD.findall(spoken(path).casefold())) for path in (left, right))
    return any(
        bool(first & one and second & other) or bool(first & other and second & one)
        for one, other in _TWO_SIDES
    )


def stereo_sides(measured: MeasuredSession) -> frozenset[frozenset[str]]:
    """Left and right by name: two microphones of one pair, not one behind the other."""
    return frozenset(
        frozenset({pair.left.file.path, pair.right.file.path})
        for song in songs_of(measured)
        for pair in pairs_of(song.compared)[0]
    )
