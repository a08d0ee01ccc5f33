"""The word is longer than what the samples use: a 24-bit file that holds 16-bit sound.

Somebody exported at 16 bit and saved it again at 24. The receiver believes in detail that is not
there; the mastering engineer would ask for a new export if the file said what it is.

Measured: the OR of all samples shows the lowest bit ever used. A quiet passage uses low bits and
does not trigger it; a silent file uses none and is not judged. A float word counts as its 24
significant bits; a float file in which every sample is a 24-bit value is a note.
Limit: one unused bit (common practice, no source); the spec can allow more.
Passes: a 24-bit file in which at least one sample is odd.
Fails: a 24-bit file whose lowest 8 bits are 0 in every sample; 20 valid bits in a 24-bit container.
To do: ask whether a longer version exists and export again; if 16 bit is all there ever was, leave
it, nothing is wrong with the sound.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, count_of, heard, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile

ID = "padded-word"


@dataclass(frozen=True, slots=True, kw_only=True)
class PaddedWordRule(Rule):
    """How many always-zero low bits make a word padded."""

    min_unused_bits: Annotated[int, Range(1, 31), Key("low bits that are always zero", 1)]


NATURE = Nature(
    scope="file",
    heading="Fewer bits than it says",
    files_are="with fewer bits than stated",
    concern="form",
    rule=PaddedWordRule,
    side_effect_of=("convert-word-length",),
)


_FLOAT_SIGNIFICANT_BITS = 24  # IEEE 754 binary32: 23 stored bits and the implied one


def check(file: MeasuredFile, rule: PaddedWordRule) -> Iterator[Finding]:
    """Yield a finding when the lowest bits of every sample are 0."""
    known, severity = heard(file), severity_under(rule.severity)
    if known is None or severity is None or known[0].encoding not in ("integer", "float"):
        return
    form, sound = known
    used = sound.word.effective_bit_depth
    word = _word_bits(form)
    if form.encoding == "float" and used == word:
        yield from _fixed_point_origin(file, rule, used)
    if not used or word - used < rule.min_unused_bits:
        return
    kind = "float words" if form.encoding == "float" else f"{word}-bit words"
    yield about_file(
        file,
        ID,
        severity,
        message=f"{kind}, the sound uses {used} bits: "
        f"the lowest {count_of(word - used, 'bit')} are 0 in every sample",
        advice="Ask whether the session holds a longer version and export that; else leave it.",
        found=used,
        required=word,
        unit="bit",
    )


def _fixed_point_origin(file: MeasuredFile, rule: PaddedWordRule, used: int) -> Iterator[Finding]:
    severity = severity_under(rule.severity, "note")
    if severity is not None:
        yield about_file(
            file,
            ID,
            severity,
            message=f"floating point, and every sample is a {used}-bit value",
            advice="Nothing is lost; a 24-bit file would hold the same sound.",
            found=used,
            required="values between the steps of a fixed-point word",
            unit="bit",
        )


def _word_bits(form: AudioFormat) -> int:
    if form.encoding == "float":
        return _FLOAT_SIGNIFICANT_BITS
    return max(form.bit_depth, form.container_bits)
