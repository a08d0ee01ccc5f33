"""How reports tell a null test: in one line, and as a picture over time."""

from __future__ import annotations

from collections.abc import Iterable

from stemprep.model.null_test import NullTest, SummedParts
from stemprep.report import figures

_PART_WORDS: dict[SummedParts, tuple[str, str]] = {
    "stems": ("stem", "stems"),
    "alternate-mixes": ("alternate mix", "alternate mixes"),
}


def part_words(test: NullTest) -> str:
    """``6 stems``, ``2 alternate mixes``: what was added up."""
    return figures.plural(len(test.stems), *_PART_WORDS[test.parts])


def null_line(test: NullTest) -> str:
    """``2 stems add up to the mix: residual -128.9 dBFS peak (mix M.wav; stems A.wav, B.wav)``."""
    stems = part_words(test)
    gain = f", all {test.gain_db:+.2f} dB in the mix" if abs(test.gain_db) >= 0.005 else ""
    left = (
        f"; {figures.plural(len(test.left_out), 'other file')} not summed" if test.left_out else ""
    )
    where = f" (mix {test.reference}; {_PART_WORDS[test.parts][1]} {figures.file_list(test.stems)})"
    if test.verdict == "exact":
        return f"{stems} add up to the mix exactly{gain}{where}{left}"
    rounding = ", which rounding alone can leave" if test.verdict == "word-length" else ""
    peak = f"residual {test.residual_peak_dbfs:.1f} dBFS peak{rounding}"
    verb = "add up to the mix" if test.verdict == "word-length" else "do not add up to the mix"
    return f"{stems} {verb}{gain}: {peak}{where}{left}"


def untested_mixes(tests: Iterable[NullTest]) -> str:
    """``not tested: Mix v3.wav; another mix is (Mix v4.wav)``; "" where every mix was."""
    known = tuple(tests)
    tested = {test.reference for test in known}
    mixes = {path: test for test in known for path, role in test.left_out if role == "mix"}
    names = [path for path in mixes if path not in tested]
    if not names:
        return ""
    instead = figures.and_list(list(dict.fromkeys(mixes[path].reference for path in names)))
    return f"not tested: {figures.and_list(names)}; the stems belong to {instead}"
