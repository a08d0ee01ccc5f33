"""The delivery spec, frozen: what is accepted, how much a breach weighs, what is done about it.

Each field is defined here once: its range, its meaning and an example; what the shipped specs set
it to stands in configs/ alone. ``severity`` is a ceiling. Limits without a published standard are
marked 'common practice' in configs/.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from stemprep.model.definition import Key, Range
from stemprep.model.facts import MeasureSettings
from stemprep.model.value_types import (
    LevelDb,
    RateHz,
    Seconds,
    Template,
)
from stemprep.model.words import Ceiling, CompanionKind, OperationName, Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """How much a breach weighs."""

    severity: Annotated[
        Ceiling, Key("the most that a finding may weigh; off: not looked for", "warn")
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """What a delivered file is to be; ``song``: as most of its own song; ``source``: its own."""

    container: Annotated[Literal["source", "WAV", "FLAC"], Key("container of written files", "WAV")]
    sample_rate_hz: Annotated[
        RateHz | Literal["song", "source"],
        Key(
            "rate of written files; song: the rate of most files of the song; source: its own",
            48000,
        ),
    ]
    bit_depth: Annotated[
        Annotated[int, Range(16, 64)] | Literal["song", "source"],
        Key(
            "word length of written files; song: that of most files of the song; source: its own",
            24,
        ),
    ]
    is_float_kept: Annotated[bool, Key("a float source stays float whatever bit_depth says", True)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Operations:
    """What is done to files."""

    base: Annotated[
        Literal["copy", "copy-audio"], Key("what a file gets that needs nothing else", "copy")
    ]
    allowed: Annotated[
        tuple[OperationName, ...],
        Key(
            "operations that may be planned without an order in the session sheet",
            "[rewrap, rename]",
        ),
    ]
    is_common_start: Annotated[
        bool, Key("all files of a song begin at one point of the timeline", True)
    ]
    is_start_at_bar_1: Annotated[
        bool,
        Key(
            "where the session sheet says where bar 1 lies, the files begin there, less its "
            "count-in, or earlier where sound exists",
            True,
        ),
    ]
    is_equal_length: Annotated[bool, Key("all files of a song are padded to one length", True)]
    is_trimmed: Annotated[
        bool, Key("silence common to all files of a song is cut at head and tail", False)
    ]
    trim_threshold_dbfs: Annotated[LevelDb, Key("what a trim takes for silence, dBFS", -70.0)]
    trim_head_s: Annotated[Seconds, Key("left before the first sound, s", 1.0)]
    trim_tail_s: Annotated[Seconds, Key("left after the last sound, s", 2.0)]
    edge_fade_ms: Annotated[float, Range(0, 1000), Key("fade at a cut that met sound", 5.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """How delivered files are called."""

    template: Annotated[
        Template | None, Key("{token} text; none: the source's own name", "{song_title}_{name}")
    ]
    template_roles: Annotated[
        tuple[Role, ...], Key("roles that the template is for", "[mix, stem]")
    ]
    is_portable: Annotated[bool, Key("names are made to hold on Windows, macOS and Linux", True)]
    is_numbered: Annotated[bool, Key("names begin with a running number", False)]

    def contradiction(self) -> str | None:
        """Say what is said against each other; None where nothing is."""
        if self.template is not None and not self.template_roles:
            return "template_roles: empty; name the roles that the template is for"
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What the package holds."""

    layout: Annotated[
        Literal["roles", "as-dropped"], Key("folders by role, or the drop's own", "roles")
    ]
    left_out_roles: Annotated[tuple[Role, ...], Key("roles that do not travel", "[talkback]")]
    is_damaged_kept: Annotated[
        bool, Key("a damaged file is kept byte for byte and listed first", False)
    ]
    companions: Annotated[
        tuple[CompanionKind, ...],
        Key("what is made for the package beside what was dropped", "[click, tempo-map]"),
    ]
    is_cue_points: Annotated[
        bool, Key("sections, tempo and findings are written into the copies as cue points", False)
    ]
    is_songs_told: Annotated[
        bool, Key("the note tells, song by song, what a mastering room asks for", False)
    ]
    is_songs_numbered: Annotated[
        bool,
        Key("folders of songs begin with their place in the session sheet's running order", False),
    ]
    is_readme: Annotated[
        bool, Key("README.txt at the top tells a stranger what all this is", False)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleTable:
    """The rule of one check: for any role, and the roles that differ."""

    default: Rule
    by_role: Mapping[Role, Rule] = field(default_factory=dict)

    def for_role(self, role: Role) -> Rule:
        """Give the rule that holds for a file of this role."""
        return self.by_role.get(role, self.default)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliverySpec:
    """One validated delivery spec with everything it extends folded in.

    name:   shipped name or file stem; sha256: over the canonical resolved content.
    rules:  check id -> rules; every registered check has one.
    warnings: lines about what was read but may not be meant, as problems are told.
    """

    name: str
    title: str
    purpose: str
    sha256: str
    measure: MeasureSettings
    rules: Mapping[str, RuleTable]
    target: Target
    operations: Operations
    naming: Naming
    contents: Contents
    warnings: tuple[str, ...] = ()

    def rule(self, check: str, role: Role) -> Rule:
        """Give the rule of one check for one role."""
        return self.rules[check].for_role(role)
