"""What a check is, besides how it judges: which rule it has, what it takes, what it explains.

Each check states its nature in its own file; whoever has to know asks ``CHECKS``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal, get_args

from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.words import OperationName

Scope = Literal["file", "song", "set", "return", "waivers"]
Concern = Literal["loss", "flaw", "together", "form", "label"]
"""What is at risk, the worst for whoever listens first (common practice, no source).

loss: sound is gone.  flaw: heard in the file by itself.  together: heard only where files sound
together.  form: not heard; the file is not in the form asked for.  label: names and papers.
"""
CONCERNS: tuple[Concern, ...] = get_args(Concern)
"""In that order: the one place that says which of two equally severe findings is told first."""

LEVEL_CHECKS = frozenset({"clipping", "sample-peak", "true-peak", "loudness", "dc-offset"})
SIDE_CHECKS = frozenset({"silent-channel", "dual-mono", "stereo-polarity"})
EDGE_CHECKS = frozenset({"head-silence", "tail-silence"})
CHARACTER_CHECKS = frozenset({"padded-word", "bandwidth", "noise-floor", "hum"})
FLAW_CHECKS = frozenset({"dropout", "click", "cut-off"})
SOUND_CHECKS = LEVEL_CHECKS | SIDE_CHECKS | EDGE_CHECKS | CHARACTER_CHECKS | FLAW_CHECKS
"""Checks on what the samples say: without meaning where the samples are not what was recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """Checks whose findings on the same file are the effect of one of this check.

    is_artefact: the effect means nothing where the cause holds (the level of a file with NaN) and
                 goes whatever its severity; otherwise it goes only when the cause is at least as
                 severe, so that no verdict gets milder.
    unit:        the effect is explained only where this is its unit; "" for any.
    cause_unit:  the cause explains only where this is its unit; None for any.
    """

    effects: frozenset[str]
    is_artefact: bool = False
    unit: str = ""
    cause_unit: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Nature:
    """What a check says of itself.

    scope:       what its ``check`` takes first: a MeasuredFile, a Song, the MeasuredSession, what
                 came back of a delivery (Returned), or the objections to the sheet's waivers; then
                 the rule of the file's role (scope file) or the table of rules.
    heading:     what people call the fault, in a few words.
    files_are:   what files with it are, after their number: ``2 clipped``, ``1 with DC``.
    explains:    no effect is a cause of its own cause, and nothing that cannot be waived has a
                 waivable cause.
    side_effect_of: operations of ours after which a finding of it is expected.
    is_of_drop:  only the drop as it came can show it, never what was written from it.
    """

    scope: Scope
    heading: str
    files_are: str
    concern: Concern
    rule: type[Rule] = Rule
    explains: tuple[Explanation, ...] = ()
    side_effect_of: tuple[OperationName, ...] = ()
    is_waivable: bool = True
    is_of_drop: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One registered check: its id, its nature, its function, and its manual."""

    id: str
    nature: Nature
    run: Callable[..., Iterator[Finding]]
    manual: str
