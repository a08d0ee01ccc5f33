"""A tree of nodes to values of the wanted types and ranges, every value with its place."""

from __future__ import annotations

from collections.abc import Mapping as Keyed
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

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
from stemprep.spec.shapes import Keys, Shape, build_record, contradiction_in
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

    values: keys at the top, each with a plain value, a list, a mapping or the record that its
            keys make; what was unfit is absent.
    places: place of every key and value by its path.
    unfit:  paths that were reported and left out.
    """

    values: dict[str, Any] = field(default_factory=dict)
    places: dict[Path_, Place] = field(default_factory=dict)
    unfit: set[Path_] = field(default_factory=set)
    warnings: list[str] = field(default_factory=list)


def read_keys(root: Mapping, keys: Keys, problems: Problems, elsewhere: Keyed[str, str]) -> Reading:
    """Read a whole file; ``elsewhere``: keys that people try, and where they belong instead."""
    reader = _Reader(problems, elsewhere)
    reader.reading.places[()] = Place(root.mark, "", "")
    reader.reading.values = reader.values_of(root, keys, ())
    return reader.reading


class _Reader:
    """Walks nodes and shapes side by side; depth is bounded by the schema."""

    def __init__(self, problems: Problems, elsewhere: Keyed[str, str]) -> None:
        self.problems = problems
        self.elsewhere = elsewhere
        self.reading = Reading()
        self.holding_unfit: set[Path_] = set()

    def mapping(self, node: Mapping, keys: Keys, path: Path_) -> Any:
        """Give a mapping with fixed keys: the record that it makes, or its values by key."""
        values = self.values_of(node, keys, path)
        return self.contradiction(keys, values, path)

    def values_of(self, node: Mapping, keys: Keys, path: Path_) -> dict[str, Any]:
        """Give the values of a mapping by key; what is missing or unfit is absent."""
        values: dict[str, Any] = {}
        for key, value in self._distinct(node, path):
            shape = keys.shapes.get(key.text)
            if shape is None:
                self._unknown_key(key, path, tuple(keys.shapes))
            else:
                self._into(values, key.text, value, shape, (*path, key.text))
        self._missing(node, keys, path, values)
        return values

    def contradiction(self, keys: Keys, values: dict[str, Any], path: Path_) -> Any:
        """Build the record of whole values and report what contradicts itself in it.

        Where something below was unfit nothing is built: what is missing then would mislead.
        """
        if keys.record is None or path in self.holding_unfit:
            return values
        record = build_record(keys, values)
        message = contradiction_in(record)
        if message is None:
            return record
        self._refuse(self.reading.places[path].mark, path, message)
        return None

    def _refuse(self, mark: Mark, path: Path_, message: str) -> None:
        """Report what is unfit and leave it out."""
        self.problems.add(mark, dotted(path), message)
        self.reading.unfit.add(path)
        self.holding_unfit.update(path[:length] for length in range(len(path) + 1))

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
        if isinstance(node, Mapping) and shape.keys is not None:
            return self.mapping(node, shape.keys, path)
        if isinstance(node, Mapping) and shape.kind == "table":
            return self._table(node, shape, path)
        if isinstance(node, Sequence) and shape.kind == "list":
            return self._list(node, shape, path)
        if isinstance(node, Scalar) and shape.takes_one:
            return self._list(Sequence(node.mark, [node]), shape, path)
        if isinstance(node, Scalar) and shape.keys is not None:
            return self._shorthand(node, shape.keys, shape, path)
        if isinstance(node, Scalar) and shape.kind not in ("list", "table"):
            return self._scalar(node, shape, path)
        return self._unfit(node, _wrong_kind(node, shape), path)

    def _list(self, node: Sequence, shape: Shape, path: Path_) -> tuple[Any, ...]:
        assert shape.item is not None
        values: dict[str, Any] = {}
        for index, item in enumerate(node.items):
            self._into(values, str(index), item, shape.item, (*path, index))
        self._refuse_fault(node, shape, node.items, path)
        return tuple(values.values())

    def _shorthand(self, node: Scalar, keys: Keys, shape: Shape, path: Path_) -> Any:
        """``clutter: note`` stands for ``clutter: {severity: note}``."""
        key = keys.shorthand
        values: dict[str, Any] = {}
        if key is None or not node.text:
            self._unfit(node, _wrong_kind(node, shape), path)
        else:
            self._into(values, key, node, keys.shapes[key], (*path, key))
        return values

    def _scalar(self, node: Scalar, shape: Shape, path: Path_) -> Any:
        if node.cut and shape.kind in ("text", "label"):
            self.reading.warnings.append(_cut_warning(node, path))
        try:
            value = resolve(node, shape)
        except UnfitError as error:
            return self._unfit(node, str(error), path)
        self._refuse_fault(node, shape, value, path)
        return Path(value) if shape.is_path and isinstance(value, str) else value

    def _refuse_fault(self, node: Node, shape: Shape, value: Any, path: Path_) -> None:
        """Report a value of the right type that is out of range or of another form."""
        fault = shape.fault(value)
        if fault is not None:
            self._unfit(node, f"{_found(node)} {fault}; give {shape.wanted}", path)

    def _unfit(self, node: Node, message: str, path: Path_) -> None:
        self._refuse(node.mark, path, message)

    def _distinct(self, node: Mapping, path: Path_) -> list[tuple[Scalar, Node]]:
        """Give the pairs with a plain key, each key once; doubled and complex keys are told."""
        seen: dict[str, Scalar] = {}
        pairs = []
        for key, value in node.pairs:
            if not isinstance(key, Scalar):
                self.problems.add(
                    key.mark, dotted(path), "a key is one word, not a list or mapping"
                )
            elif key.text in seen:
                first = seen[key.text].mark
                self.problems.add(
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
        self._refuse(key.mark, (*path, key.text), message)

    def _missing(self, node: Mapping, keys: Keys, path: Path_, values: dict[str, Any]) -> None:
        for key in keys.required:
            place = (*path, key)
            if key not in values and place not in self.reading.unfit:
                wanted = keys.shapes[key].wanted
                self._refuse(node.mark, place, f"missing; give {wanted}")


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
