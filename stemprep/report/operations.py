"""Operations in words: what was or will be done to a file, with its figures as people read them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from stemprep.model.plan import Operation, Parameter
from stemprep.model.words import OperationName
from stemprep.report import figures
from stemprep.units import seconds_from_samples

OPERATION_WORDS: dict[OperationName, str] = {
    "copy": "copied byte for byte",
    "copy-audio": "given a new header around unchanged sound",
    "rewrap": "put into another container, same samples",
    "place": "placed on the timeline",
    "trim": "trimmed of silence, the same for the whole song",
    "pad": "padded with silence",
    "convert-rate": "converted to another sample rate",
    "convert-word-length": "converted to another word length",
    "split": "split: one channel as a file of its own",
    "join": "joined from two mono files",
    "fold-mono": "folded to mono: one of two equal sides taken",
    "remove-dc": "freed of a constant offset",
    "gain": "changed in level by one gain",
    "edge-fade": "faded for a moment where a cut met sound",
    "rename": "renamed",
    "sum": "added up from files of the package",
    "generate": "made here, not recorded",
}
ROUNDED = "rounded to its word length"
INVERTED = "inverted in polarity"

Parameters = Mapping[str, Parameter]


def operation_title(operation: Operation) -> str:
    """What was done, without figures, so that it can be told once for many files."""
    given = operation.parameters
    if operation.name == "gain" and given.get("is_inverted") and not given.get("gain_db"):
        return INVERTED
    if operation.name == "convert-word-length" and given and _is_rounding(given):
        return ROUNDED
    return OPERATION_WORDS[operation.name]


def operation_words(operation: Operation, rate_hz: int | None = None) -> str:
    """``place: placed on the timeline (120,000 samples (2.500 s) of silence in front)``.

    rate_hz: of the finished file; None: lengths are told in samples alone.
    """
    figure = _FIGURES.get(operation.name, _plain)(operation.parameters, rate_hz)
    tail = f": {figure}" if figure else ""
    return f"{operation.name}: {operation_title(operation)}{tail}"


def ordered_gain_db(operations: Iterable[Operation]) -> float:
    """The gain in which operations change a file's level, dB; 0.0 where they do not."""
    gains = (step.parameters.get("gain_db") for step in operations if step.name == "gain")
    return sum(float(gain) for gain in gains if isinstance(gain, int | float))


def _is_rounding(given: Parameters) -> bool:
    return given.get("from_bits") == given.get("to_bits")


def _span(samples: int, rate_hz: int | None) -> str:
    words = figures.plural(samples, "sample")
    return f"{words} ({seconds_from_samples(samples, rate_hz):.3f} s)" if rate_hz else words


def _whole(given: Parameters, name: str) -> int:
    value = given.get(name)
    return value if isinstance(value, int) else 0


def _placing(given: Parameters, rate_hz: int | None) -> str:
    head = _whole(given, "head_samples")
    if head < 0:
        return f"the first {_span(-head, rate_hz)} cut"
    return f"{_span(head, rate_hz)} of silence in front" if head else ""


def _edges(given: Parameters, rate_hz: int | None) -> str:
    ends = (("head_samples", "in front"), ("tail_samples", "at the end"))
    parts = [
        f"{_span(_whole(given, name), rate_hz)} {where}"
        for name, where in ends
        if _whole(given, name)
    ]
    return figures.and_list(parts)


def _copied(given: Parameters, rate_hz: int | None) -> str:
    added = {name.removeprefix("added_"): value for name, value in given.items()}
    figure = _edges(added, rate_hz)
    return f"{figure} are silence that was added before" if figure else ""


def _rates(given: Parameters, rate_hz: int | None) -> str:
    ends = [figures.rate(_whole(given, name)) for name in ("from_hz", "to_hz")]
    quality = given.get("quality")
    true_hz = given.get("true_hz")
    if isinstance(true_hz, int | float):
        ends[0] = f"{true_hz:,.2f} Hz (its header says {ends[0]})"
    return " to ".join(ends) + (f", {quality}" if quality else "")


def _words(given: Parameters, rate_hz: int | None) -> str:
    bits = f"{given.get('to_bits')} bits"
    if not _is_rounding(given):
        bits = f"{given.get('from_bits')} to {bits}"
    dither = "TPDF dither" if given.get("dither") == "tpdf" else "no dither, nothing is rounded"
    return f"{bits}, {dither}"


def _gain(given: Parameters, rate_hz: int | None) -> str:
    value = given.get("gain_db")
    if not isinstance(value, (int, float)) or not value:
        return ""
    return f"{value:+.2f} dB{', polarity inverted' if given.get('is_inverted') else ''}"


def _offsets(given: Parameters, rate_hz: int | None) -> str:
    offsets = [
        f"{value:+.6f} of full scale in channel {name.removeprefix('offset_')}"
        for name, value in sorted(given.items())
        if isinstance(value, float)
    ]
    return figures.and_list(offsets)


def _names(given: Parameters, rate_hz: int | None) -> str:
    return f"'{given['from']}' is now '{given['to']}'" if {"from", "to"} <= given.keys() else ""


def _containers(given: Parameters, rate_hz: int | None) -> str:
    return f"{given.get('from_container')} to {given.get('to_container')}" if given else ""


def _parts(given: Parameters, rate_hz: int | None) -> str:
    without = given.get("without")
    left_out = f", without {without}" if without else ""
    return f"{figures.plural(_whole(given, 'files'), 'file')}{left_out}"


def _plain(given: Parameters, rate_hz: int | None) -> str:
    return ", ".join(f"{name} {_value(value)}" for name, value in sorted(given.items()))


def _value(value: Parameter) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "none" if value is None else str(value)


_FIGURES: Mapping[OperationName, Callable[[Parameters, int | None], str]] = {
    "copy": _copied,
    "place": _placing,
    "trim": _edges,
    "pad": _edges,
    "edge-fade": _edges,
    "convert-rate": _rates,
    "convert-word-length": _words,
    "gain": _gain,
    "remove-dc": _offsets,
    "rename": _names,
    "rewrap": _containers,
    "sum": _parts,
}
