"""The word length is not one that the receiver accepts.

A 16-bit stem has lost its lowest bits for good; a 32-bit integer or 64-bit float file may not
open. A longer word around the same samples is allowed everywhere and adds nothing.

Measured: the valid bits that the header states (20 in a 24-bit container counts as 20), integer
and float apart. Lossy files have no word length and are not judged.
Limit: the spec's minimum and list (24 bit for mastering: P&E Wing delivery recommendations).
Passes: a 24-bit file where at least 24 bit are required; a 32-bit float file where float is
accepted.
Fails: a 16-bit file where at least 24 bit are required.
To do: export again at the session's word length; deliver can only widen the word, which lets the
file open and brings no detail back.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import about_file, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import BitDepth

ID = "bit-depth"


@dataclass(frozen=True, slots=True, kw_only=True)
class BitDepthRule(Rule):
    """Word lengths that may stay."""

    minimum_bits: Annotated[BitDepth, Key("shortest integer word", 24)]
    accepted_bits: Annotated[tuple[BitDepth, ...], Key("exact word lengths; []: any", "[24]")]
    is_float_accepted: Annotated[bool, Key("floating point may stay", True)]


NATURE = Nature(
    scope="file",
    heading="Another word length than wanted",
    files_are="at another bit depth",
    concern="form",
    rule=BitDepthRule,
    explains=(
        Explanation(effects=frozenset({"padded-word"})),
        Explanation(effects=frozenset({"mixed-formats"}), unit="bit"),
    ),
)


def check(file: MeasuredFile, rule: BitDepthRule) -> Iterator[Finding]:
    """Yield a finding for a word that is too short, not listed, or float where it may not be."""
    form, severity = file.facts.format, severity_under(rule.severity)
    if form is None or severity is None or form.encoding in ("lossy", "unknown"):
        return
    if _is_accepted(form, rule):
        return
    required = _required(form, rule)
    yield about_file(
        file,
        ID,
        severity,
        message=f"the word length is {_stated(form)}, {required} is required",
        advice=f"Export the file again from the session at {required}.",
        found=form.bit_depth,
        required=rule.accepted_bits[0] if len(rule.accepted_bits) == 1 else rule.minimum_bits,
        unit="bit",
        repair="convert-word-length",
    )


def _is_accepted(form: AudioFormat, rule: BitDepthRule) -> bool:
    if form.encoding == "float":
        return rule.is_float_accepted
    if rule.accepted_bits:
        return form.bit_depth in rule.accepted_bits
    return form.bit_depth >= rule.minimum_bits


def _stated(form: AudioFormat) -> str:
    if form.container_bits > form.bit_depth:
        return f"{form.bit_depth} bit in {form.container_bits}-bit words"
    return f"{form.bit_depth} bit float" if form.encoding == "float" else f"{form.bit_depth} bit"


def _required(form: AudioFormat, rule: BitDepthRule) -> str:
    if rule.accepted_bits:
        words = f"{' or '.join(str(bits) for bits in rule.accepted_bits)} bit"
    else:
        words = f"{rule.minimum_bits} bit or more"
    return f"{words} integer" if form.encoding == "float" else words
