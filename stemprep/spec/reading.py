"""A tree of nodes to plain values by the schema's wishes, every value with its place."""

from __future__ import annotations

from collections.abc import Mapping as Keyed
from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel, ValidationError

from stemprep.spec.problems import (
    Mark,
    Path_,
    Problems,
    dotted,
    known_words,
    nearest,
    shown,
    shown_plain,
)
from stemprep.spec.scalars import UnfitError, key_hint, resolve
from stemprep.spec.shapes import Shape, fields_of, required_of, shorthand_of
from stemprep.spec.tree import Mapping, Node, Scalar, Sequence


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands, what stood there, and what is wanted."""

    mark: Mark
    found: str
    wanted: str


@dataclass(slots=True)
class Reading:
    """What one file says.

    values: plain nested dicts, lists and scalars; what was unfit is absent.
    places: place of every key and value by its path.
    unfit:  paths that were told and left out.
    kept:   of a list with unfit items, the positions of the others.
    """

    values: dict[str, Any] = field(default_factory=dict)
    places: dict[Path_, Place] = field(default_factory=dict)
    unfit: set[Path_] = field(default_factory=set)
    kept: dict[Path_, tuple[int, ...]] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


def read_model(
    root: Mapping, model: type[BaseModel], problems: Problems, elsewhere: Keyed[str, str]
) -> Reading:
    """Read a whole file; ``elsewhere``: keys that people try, and where they belong instead."""
    reader = _Reader(problems, elsewhere)
    reader.reading.places[()] = Place(root.mark, "", "")
    reader.reading.values = reader.mapping(root, model, ())
    return reader.reading


class _Reader:
    """Walks nodes and shapes side by side; depth is bounded by the schema."""

    def __init__(self, problems: Problems, elsewhere: Keyed[str, str]) -> None:
        self.problems = problems
        self.elsewhere = elsewhere
        self.reading = Reading()

    def mapping(self, node: Mapping, model: type[BaseModel], path: Path_) -> dict[str, Any]:
        """Give the keys of a mapping with fixed keys."""
        shapes = fields_of(model)
        values: dict[str, Any] = {}
        for key, value in self._distinct(node, path):
            shape = shapes.get(key.text)
            if shape is None:
                self._unknown_key(key, path, tuple(shapes))
            else:
                self._into(values, key.text, value, shape, (*path, key.text))
        self._missing(node, model, path, values)
        return values

    def _table(self, node: Mapping, shape: Shape, path: Path_) -> dict[str, Any]:
        """Give the keys of a mapping whose keys are words of a closed list."""
        assert shape.item is not None
        values: dict[str, Any] = {}
        for key, value in self._distinct(node, path):
            if key.text in shape.words:
                self._into(values, key.text, value, shape.item, (*path, key.text))
            else:
                self._unknown_key(key, path, shape.words)
        return values

    def _into(
        self, values: dict[str, Any], key: str, node: Node, shape: Shape, path: Path_
    ) -> None:
        """Read one value into its mapping, unless it is unfit."""
        self.reading.places[path] = Place(node.mark, _found(node), shape.wanted)
        value = self._value(node, shape, path)
        if path not in self.reading.unfit:
            values[key] = value

    def _value(self, node: Node, shape: Shape, path: Path_) -> Any:
        """One value of any shape; an unfit one is told and its path noted."""
        if isinstance(node, Mapping) and shape.kind == "model" and shape.model:
            return self.mapping(node, shape.model, path)
        if isinstance(node, Mapping) and shape.kind == "table":
            return self._table(node, shape, path)
        if isinstance(node, Sequence) and shape.kind == "list":
            return self._list(node, shape, path)
        if isinstance(node, Scalar) and shape.takes_one:
            return self._list(Sequence(node.mark, [node]), shape, path)
        if isinstance(node, Scalar) and shape.kind == "model" and shape.model:
            return self._shorthand(node, shape.model, shape, path)
        if isinstance(node, Scalar) and shape.kind not in ("list", "table"):
            return self._scalar(node, shape, path)
        return self._unfit(node, _wrong_kind(node, shape), path)

    def _list(self, node: Sequence, shape: Shape, path: Path_) -> list[Any]:
        assert shape.item is not None
        values: dict[str, Any] = {}
        for index, item in enumerate(node.items):
            self._into(values, str(index), item, shape.item, (*path, index))
        self.reading.kept[path] = tuple(int(index) for index in values)
        return list(values.values())

    def _shorthand(
        self, node: Scalar, model: type[BaseModel], shape: Shape, path: Path_
    ) -> dict[str, Any]:
        """``clutter: note`` stands for ``clutter: {severity: note}``."""
        key = shorthand_of(model)
        values: dict[str, Any] = {}
        if key is None or not node.text:
            self._unfit(node, _wrong_kind(node, shape), path)
        else:
            self._into(values, key, node, fields_of(model)[key], (*path, key))
        return values

    def _scalar(self, node: Scalar, shape: Shape, path: Path_) -> Any:
        if node.cut and shape.kind in ("text", "label"):
            self.reading.warnings.append(_cut_warning(node, path))
        try:
            return resolve(node, shape)
        except UnfitError as error:
            return self._unfit(node, str(error), path)

    def _unfit(self, node: Node, message: str, path: Path_) -> None:
        self.problems.tell(node.mark, dotted(path), message)
        self.reading.unfit.add(path)

    def _distinct(self, node: Mapping, path: Path_) -> list[tuple[Scalar, Node]]:
        """Give the pairs with a plain key, each key once; doubled and complex keys are told."""
        seen: dict[str, Scalar] = {}
        pairs = []
        for key, value in node.pairs:
            if not isinstance(key, Scalar):
                self.problems.tell(
                    key.mark, dotted(path), "a key is one word, not a list or mapping"
                )
            elif key.text in seen:
                first = seen[key.text].mark
                self.problems.tell(
                    key.mark, dotted((*path, key.text)),
                    f"the key stands twice, first in line {first.line}; keep one of them",
                )  # fmt: skip
            else:
                seen[key.text] = key
                pairs.append((key, value))
        return pairs

    def _unknown_key(self, key: Scalar, path: Path_, known: tuple[str, ...]) -> None:
        message = f"no such key here{key_hint(key)}"
        if key.text in self.elsewhere and not path:
            message += f"; {self.elsewhere[key.text]}"
        else:
            message += nearest(key.text, known) or f"; {known_words(known)}"
        self.problems.tell(key.mark, dotted((*path, key.text)), message)
        self.reading.unfit.add((*path, key.text))

    def _missing(
        self, node: Mapping, model: type[BaseModel], path: Path_, values: dict[str, Any]
    ) -> None:
        for key in required_of(model):
            place = (*path, key)
            if key not in values and place not in self.reading.unfit:
                wanted = fields_of(model)[key].wanted
                self.problems.tell(node.mark, dotted(place), f"missing; give {wanted}")
                self.reading.unfit.add(place)


def validate(model: type[BaseModel], reading: Reading, problems: Problems) -> BaseModel | None:
    """Ranges and cross-checks by the schema; None, with the problems told, when they fail."""
    try:
        return model.model_validate(_tupled(reading.values))
    except ValidationError as error:
        faults: dict[Path_, str] = {}
        for fault in error.errors(include_url=False):
            if fault["type"] != "missing":
                faults.setdefault(_place_of(reading, fault["loc"]), _reason(fault))
        for path, reason in faults.items():
            if reading.places[path].found or not _has_unfit(reading, path):
                _tell_fault(reading.places[path], problems, path, reason)
        return None


def _has_unfit(reading: Reading, path: Path_) -> bool:
    """Tell whether something below was told and left out: what is missing then misleads."""
    return bool(path) and any(unfit[: len(path)] == path for unfit in reading.unfit)


def _place_of(reading: Reading, loc: Path_) -> Path_:
    """Give the path in the file; the schema's may go on to branches of a union."""
    path: Path_ = ()
    for part in loc:
        kept = reading.kept.get(path, ())
        further = (*path, kept[part] if isinstance(part, int) and part < len(kept) else part)
        if further not in reading.places:
            break
        path = further
    return path


def _tell_fault(place: Place, problems: Problems, path: Path_, reason: str) -> None:
    message = reason if not place.found else f"{place.found} {reason}"
    give = f"; give {place.wanted}" if place.found else ""
    problems.tell(place.mark, dotted(path), message + give)


_REASONS = {
    "greater_than_equal": "is out of range",
    "less_than_equal": "is out of range",
    "string_too_long": "is too long",
    "string_pattern_mismatch": "has another form",
    "too_long": "has too many entries",
}


def _reason(fault: Any) -> str:
    """Our validators bring their own words; the schema's become one short phrase."""
    if fault["type"] == "value_error":
        return str(fault["ctx"]["error"])
    return _REASONS.get(fault["type"], "is not allowed here")


def _tupled(value: Any) -> Any:
    """Turn lists into tuples, which strict validation wants."""
    if isinstance(value, dict):
        return {key: _tupled(item) for key, item in value.items()}
    if isinstance(value, list):
        return tuple(_tupled(item) for item in value)
    return value


def _found(node: Node) -> str:
    """Name what stands at a place; a mapping's own faults name the key themselves."""
    if isinstance(node, Scalar):
        return shown(node.text)
    return "the list" if isinstance(node, Sequence) else ""


def _wrong_kind(node: Node, shape: Shape) -> str:
    """Tell of a list where one value is wanted, and the like."""
    if isinstance(node, Scalar):
        found = shown(node.text) if node.text else "nothing"
        example = (
            f" (write it as [{shown_plain(node.text)}])"
            if shape.kind == "list" and node.text
            else ""
        )
        return f"{found} stands where {_kind_words(shape)} is wanted{example}; give {shape.wanted}"
    found = "a list" if isinstance(node, Sequence) else "a mapping (keys, or text in braces)"
    quote = (
        "; a text that begins with { or [ goes in quotes" if shape.kind in ("text", "label") else ""
    )
    return f"{found} stands where {_kind_words(shape)} is wanted{quote}; give {shape.wanted}"


def _kind_words(shape: Shape) -> str:
    if shape.kind == "list":
        return "a list"
    return "a mapping" if shape.kind in ("model", "table") else "one value"


def _cut_warning(node: Scalar, path: Path_) -> str:
    whole = shown(f"{node.text} {node.cut}")
    return (
        f"{node.mark}: {dotted(path)}: only {shown(node.text)} is read, {shown(node.cut)} is taken "
        f"for a comment; if it belongs to the text, quote it: {whole}"
    )
