"""How reports tell which microphone lies where: in a line, and as a matrix."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.checks.mic_polarity import ID as MIC_POLARITY
from stemprep.model.facts import SetFacts
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import MicPair
from stemprep.report import figures

UNCLEAR = "unclear"
MAX_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One pair of the matrix; empty words where it was not compared."""

    words: str
    detail: str
    is_inverted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """All pairs to look at: distant microphones of the kit in rows, close ones in columns.

    near: (file, reference, cell) of microphones of one source.
    """

    close: tuple[str, ...]
    distant: tuple[tuple[str, tuple[Cell, ...]], ...]
    near: tuple[tuple[str, str, Cell], ...]


def microphone_line(facts: SetFacts, findings: Sequence[Finding]) -> str:
    """``13 microphones compared, up to 15.1 ms (5.2 m) apart; inverted: Snare Bot.wav``.

    Which of them are inverted is what mic-polarity has found: a single pair says that one of two
    is, not which. "" where none were compared.
    """
    clear = {path for pair in facts.mic_pairs for path in (pair.file, pair.reference)}
    unclear = {path for pair in facts.unclear_mic_pairs for path in pair} - clear
    if not clear and not unclear:
        return ""
    compared = figures.plural(len(clear | unclear), "microphone")
    if not clear:
        return f"{compared} compared, none clearly"
    farthest = max(facts.mic_pairs, key=lambda pair: abs(pair.lag_ms))
    parts = [
        f"{compared} compared, up to {abs(farthest.lag_ms):.1f} ms "
        f"({abs(farthest.distance_m):.1f} m) apart",
        _inverted_words(facts, findings),
        f"{len(unclear)} not clear" if unclear else "",
    ]
    return "; ".join(part for part in parts if part)


def _inverted_words(facts: SetFacts, findings: Sequence[Finding]) -> str:
    if all(pair.polarity == "same" for pair in facts.mic_pairs):
        return "none inverted"
    paths = [path for each in findings if each.check == MIC_POLARITY for path in each.files]
    names = [path.rpartition("/")[2] for path in dict.fromkeys(paths)]
    more = len(names) - MAX_NAMED
    shown = [*names[:MAX_NAMED], *([f"{more} more"] if more > 0 else [])]
    return f"inverted: {figures.and_list(shown)} (see {MIC_POLARITY})" if names else ""


def microphone_matrix(facts: SetFacts) -> Matrix | None:
    """Lay out all pairs that were compared; None where there are none."""
    kit: dict[tuple[str, str], Cell] = {}
    near: dict[tuple[str, str], Cell] = {}
    for pair in facts.mic_pairs:
        (kit if pair.relation == "kit" else near)[pair.file, pair.reference] = _cell(pair)
    close = {reference for _, reference in kit}
    for reference, file in facts.unclear_mic_pairs:
        (kit if reference in close else near)[file, reference] = Cell(words=UNCLEAR, detail="")
    if not kit and not near:
        return None
    columns = tuple(sorted({reference for _, reference in kit}))
    empty = Cell(words="", detail="")
    return Matrix(
        close=columns,
        distant=tuple(
            (file, tuple(kit.get((file, reference), empty) for reference in columns))
            for file in sorted({file for file, _ in kit})
        ),
        near=tuple(
            (file, reference, cell)
            for (file, reference), cell in sorted(near.items(), key=lambda item: item[0])
        ),
    )


def _cell(pair: MicPair) -> Cell:
    lag_ms, distance_m = (round(value, 2) + 0.0 for value in (pair.lag_ms, pair.distance_m))
    return Cell(
        words=f"{lag_ms:+.2f} ms",
        detail=f"{distance_m:+.2f} m, {round(100 * pair.confidence)} % sure",
        is_inverted=pair.polarity == "inverted",
    )
